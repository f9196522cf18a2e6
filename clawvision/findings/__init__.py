"""What the measures mean: profiles and rules."""
