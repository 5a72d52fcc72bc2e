"""The service's choice of checks against the optimum, on problems small enough to search whole."""
