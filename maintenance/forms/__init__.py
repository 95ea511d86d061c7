"""Forms of the work: they clean what was typed; actions decide and write."""
