"""Seeded record books with known truth: the invented demonstration nursery, and plain trays for tests and studies."""

from germstats.simulation.demo import DEFAULT_SEED, simulate_demo
from germstats.simulation.trays import TraySpec, simulate_trays
from germstats.simulation.truth import Demo, DemoTruth

__all__ = ["DEFAULT_SEED", "Demo", "DemoTruth", "TraySpec", "simulate_demo", "simulate_trays"]
