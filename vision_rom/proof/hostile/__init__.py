"""Try to break what reads other people's files: our parsers by coverage-guided fuzzing, the clip reader by broken containers."""
