"""How well the colour of every end is read from photos with known truth."""
