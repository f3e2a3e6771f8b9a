"""One folder per question that a grower asks, named as its command."""
