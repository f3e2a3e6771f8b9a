"""Paper for the bench: what to sow, what to look at, labels."""

from germstats.questions.sheets.sheets import check_sheets, label_sheet, sowing_sheet

__all__ = ["check_sheets", "label_sheet", "sowing_sheet"]
