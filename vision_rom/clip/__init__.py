"""Recording to timed, upright frames."""
