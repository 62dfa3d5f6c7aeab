"""Rendered people with exactly known joint angles."""
