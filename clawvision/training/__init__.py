"""Training and export of the network that sees claws (optional extra ``training``; needs PyTorch)."""
