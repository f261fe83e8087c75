"""The `evenwall` command: words in, words out, and the composition of the application."""
