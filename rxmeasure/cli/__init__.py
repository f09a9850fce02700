"""The command line: parses, calls one core function, prints."""
