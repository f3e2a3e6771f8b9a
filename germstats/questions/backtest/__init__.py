"""How past forecasts turned out: `back_test`."""

from germstats.questions.backtest.backtest import back_test
from germstats.questions.backtest.result import BackTest, BackTestSpec

__all__ = ["BackTest", "BackTestSpec", "back_test"]
