"""The one facade that the web and the command line use."""
