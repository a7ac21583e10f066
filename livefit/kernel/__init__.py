"""The pure kernel: frames in, measures at exact crank angles out."""
