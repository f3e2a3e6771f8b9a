"""Seeded nurseries with known truth, for studies and tests."""
