"""Finds where fluid first escapes from an ageing vehicle's transmission: a rules-engine expert system."""

__version__ = "0.1.0"
