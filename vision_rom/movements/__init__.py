"""The catalogue of movements, as data."""
