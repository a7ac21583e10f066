"""Joint angles at exact crank positions, live, for the bicycle fitter at work."""
