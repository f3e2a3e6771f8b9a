"""Past forecasts held against what came."""

from germstats.questions.backtest.backtest import BackTest, back_test

__all__ = ["BackTest", "back_test"]
