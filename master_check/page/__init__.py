"""The local page: look at files, hear them, plan, and edit profiles, in a browser on this machine only."""
