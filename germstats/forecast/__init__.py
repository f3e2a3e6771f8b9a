"""What the fit foretells, and sums that several questions share."""
