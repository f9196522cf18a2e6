"""Where the claws are: one interface, several ways to see."""
