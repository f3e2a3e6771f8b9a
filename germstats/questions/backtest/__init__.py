"""Past forecasts held against what came."""

from germstats.questions.backtest.backtest import back_test
from germstats.questions.backtest.result import BackTest

__all__ = ["BackTest", "back_test"]
