"""The likelihood of the records and the fit of all of them together."""
