"""The command line: parses, calls the core, prints. No measuring arithmetic."""
