"""One raw frame: from file to patch signal to chromaticity; it knows no head and no power."""
