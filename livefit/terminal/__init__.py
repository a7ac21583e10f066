"""The rolling table in a terminal."""
