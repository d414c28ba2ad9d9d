"""Scenarios, comparisons, statistics, figures, reports and the command line."""
