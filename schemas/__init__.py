"""What the data are: protocol, variables and readings. Imports neither of the other packages."""
