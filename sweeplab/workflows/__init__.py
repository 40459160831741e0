"""Whole tasks on an open log, shared by the commands and the demo."""
