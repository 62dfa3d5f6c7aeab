"""How wrong the readings are: rendered people with exactly known joint angles, measured by the same pipeline as a phone clip."""
