"""A fit session as data: rider, interview, examination, bicycle, trials, adjustments, outcome."""
