"""Why a lot did poorly: `review`."""

from germstats.questions.review.review import LotReview, Review, ReviewSpec, review

__all__ = ["LotReview", "Review", "ReviewSpec", "review"]
