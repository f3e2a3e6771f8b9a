"""A seeded record book with known truth: the invented demonstration nursery."""

from germstats.demonstration.demo import DEFAULT_SEED, simulate_demo
from germstats.demonstration.truth import Demo, DemoTruth

__all__ = ["DEFAULT_SEED", "Demo", "DemoTruth", "simulate_demo"]
