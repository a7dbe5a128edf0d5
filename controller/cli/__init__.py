"""Arguments and exit codes; no logic."""
