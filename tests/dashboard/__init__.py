"""Tests of what is shown: models, pictures, the window, the terminal."""
