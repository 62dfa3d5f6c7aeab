"""Readings to documents, tables and pictures."""
