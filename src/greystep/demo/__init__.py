"""An invented kit, physically made: spectra, sensor, raw files and their true answers."""
