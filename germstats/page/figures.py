"""Figures: in each module one function takes plain numbers and draws, another takes a result and
picks them.
"""

from germstats.document.figures_grid import GridWords, draw_grid, tray_map_figure, tray_map_picture
from germstats.document.figures_style import FigureWords, Picture, figure_bytes, file_names
from germstats.questions.backtest.figures import backtest_picture
from germstats.questions.compare.figures import covers_picture
from germstats.questions.fit.figures import emergence_picture, emergence_pictures, lot_picture
from germstats.questions.plan.figures import ready_picture
from germstats.questions.sow.figures import fill_picture
from germstats.questions.watch.figures import calendar_picture

__all__ = [
    "FigureWords",
    "GridWords",
    "Picture",
    "backtest_picture",
    "calendar_picture",
    "covers_picture",
    "draw_grid",
    "emergence_picture",
    "emergence_pictures",
    "figure_bytes",
    "file_names",
    "fill_picture",
    "lot_picture",
    "ready_picture",
    "tray_map_figure",
    "tray_map_picture",
]
