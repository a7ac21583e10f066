"""Where frames come from: devices, recordings, and the process that sends them out."""
