"""Figures: in each module one function takes plain numbers and draws, another takes a result and picks them."""

from germstats.reports.figures_backtest import backtest_picture
from germstats.reports.figures_calendar import calendar_picture, ready_picture
from germstats.reports.figures_covers import covers_picture
from germstats.reports.figures_curves import emergence_picture, emergence_pictures
from germstats.reports.figures_fill import fill_picture
from germstats.reports.figures_grid import GridWords, draw_grid, tray_map_figure, tray_map_picture
from germstats.reports.figures_style import FigureWords, Picture, figure_bytes, file_names

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
    "ready_picture",
    "tray_map_figure",
    "tray_map_picture",
]
