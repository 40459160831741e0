"""Whole jobs that join an open log with the rest of the house, for commands and demo alike."""
