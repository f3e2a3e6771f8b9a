"""What was written down."""
