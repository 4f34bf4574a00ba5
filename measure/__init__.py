"""From a flat picture of cloth to ends, picks, width and what follows from them."""
