"""Trays by their cells."""
