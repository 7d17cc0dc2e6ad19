"""The post office over a real record."""
