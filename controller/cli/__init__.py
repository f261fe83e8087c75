"""The `evenwall` command: its arguments and output, and the composition of the application."""
