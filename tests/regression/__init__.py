"""What the program made of a fixed set of photos, kept, so that a change of it is seen and meant."""
