"""Results for other programs, in forms that are theirs."""
