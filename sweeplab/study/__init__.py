"""What the log's records say, side by side: pure functions, never of an open log."""
