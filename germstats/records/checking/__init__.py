"""What the entries mean, and everything that is wrong or odd in them."""
