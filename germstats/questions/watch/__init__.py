"""Which trays of a spring are late, done, or worth keeping."""

from germstats.questions.watch.spec import Watch, WatchSpec
from germstats.questions.watch.watch import watch

__all__ = ["Watch", "WatchSpec", "watch"]
