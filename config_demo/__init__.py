"""An invented plant, its simulator and ready examples of configuration."""
