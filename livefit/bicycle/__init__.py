"""A bicycle measured with a pointer: calibrated, touched, turned into dimensions."""
