"""When a spring ends: the day up to which what comes up belongs to a season."""

from __future__ import annotations

SPRING_ENDS = (7, 31)
"""Month and day on which a season's first spring ends; common practice, no source."""
