"""The model's parts by themselves."""
