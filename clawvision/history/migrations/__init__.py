"""How the tables of a store came about, one step a file. Run by `clawvision.history.database`."""
