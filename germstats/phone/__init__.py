"""The check page for the phone."""
