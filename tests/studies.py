"""The studies of `analyses/studies`, loaded as modules."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

STUDIES = Path(__file__).parents[1] / "analyses" / "studies"
RESULTS = STUDIES / "results"
sys.path.insert(0, str(STUDIES))  # as a study finds its neighbours when it is run by itself


def load_study(name: str) -> ModuleType:
    """The study of that name, its cells run but not its `main`."""
    spec = importlib.util.spec_from_file_location(name, STUDIES / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module
