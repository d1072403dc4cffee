"""Results as text: a table for the terminal, JSON, JUnit XML and Markdown. Pure functions; nothing is computed here."""
