"""The season's page: which answers, in which order."""
