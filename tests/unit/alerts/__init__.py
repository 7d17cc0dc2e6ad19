"""Tests of the alerts room: recipes, conditions, life-cycle, mixing demand, wording."""
