"""The command line: one file for each verb, each a thin call of public functions."""
