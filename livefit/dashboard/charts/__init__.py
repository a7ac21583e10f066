"""The fitter's charts on screen: bindings of `livefit.view.charts`."""
