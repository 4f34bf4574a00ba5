"""The commands, their messages and the pictures they draw."""
