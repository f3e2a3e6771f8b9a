"""Record books as files: CSV, workbooks, their description."""
