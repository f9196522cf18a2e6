"""Before and after of a trim: pairs of photos of the same claw, laid over one another, and what came off."""
