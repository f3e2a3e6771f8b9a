"""How many trays tell covers apart, and where each of them stands."""

from germstats.questions.trial.design import design_trial
from germstats.questions.trial.spec import TrialDesign, TrialSpec

__all__ = ["TrialDesign", "TrialSpec", "design_trial"]
