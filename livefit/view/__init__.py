"""What is shown of the results, in plain data and words, for any kind of screen."""
