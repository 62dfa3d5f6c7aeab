"""Frames to the landmarks of the one patient."""
