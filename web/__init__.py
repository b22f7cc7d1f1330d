"""What people see: the command line, the page and the reports."""
