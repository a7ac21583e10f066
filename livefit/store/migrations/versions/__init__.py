"""One file for each revision; a file that was once shipped is never changed."""
