"""The values that make a frame match, and the files that carry them."""
