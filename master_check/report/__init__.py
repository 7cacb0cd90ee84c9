"""Results for people and scripts: what is said, and how it is drawn. Nothing is computed here."""
