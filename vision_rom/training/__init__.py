"""How the arm network was learned: sessions, rendered frames, training. Run by hand; nothing in use imports it."""
