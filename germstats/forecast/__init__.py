"""What the fit forecasts, and sums that several questions share."""
