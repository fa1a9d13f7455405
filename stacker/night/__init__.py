"""A folder of captures, unattended: what is in it, in which order, by how many hands, and what became of it."""
