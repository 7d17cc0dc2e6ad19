"""Bandkeeper: watches the coolant of a machine shop and says what to add, where and when."""

__version__ = "0.1.0"
