"""What people see: the terminal's words, the plots, the report."""
