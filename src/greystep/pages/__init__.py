"""The page, its figures and the text on a terminal."""
