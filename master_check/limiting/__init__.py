"""A limiter to simulate, and the plan that is solved around it."""
