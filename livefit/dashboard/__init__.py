"""The fitter's window."""
