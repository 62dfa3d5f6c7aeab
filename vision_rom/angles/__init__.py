"""Landmarks to joint angles with their error; numpy and scipy alone."""
