"""Why a lot did poorly, and what would settle it."""

from germstats.questions.review.review import LotReview, Review, review

__all__ = ["LotReview", "Review", "review"]
