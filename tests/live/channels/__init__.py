"""The ways out to people and programs against real receivers."""
