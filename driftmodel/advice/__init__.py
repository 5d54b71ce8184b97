"""What humidity care is worth: the air an instrument can live in, months at risk, each measure in the chain."""
