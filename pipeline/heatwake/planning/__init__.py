"""A test before it is wired up: from a plan to what will be seen, how well, in how many runs."""
