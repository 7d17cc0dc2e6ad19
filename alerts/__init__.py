"""Conditions, life-cycle, recipes, mixing demand and wording. Pure."""
