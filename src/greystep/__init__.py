"""Colour-consistency log analyser for studio flash.

The flow is the layout: raw frames -> measure -> log -> compare -> correct -> show.
A folder imports only folders above it in this map, and a file only files named before it in its own folder;
the ground files serve everyone. ``demo`` uses the ground files and ``log`` alone, and only ``cli`` uses ``demo``.

    ground:  errors flags published files
    measure: uncertainty exposure levels dng frame target patch chromaticity camera chart calibration reading
    log:     power sheet settings session sequence shots rig draft plan ambient bodies faults table colour
             remarks cache ingest
    compare: fit warmup cells contrasts sentences drift limits findings verdict
    correct: gains blocks overlap exchange
    show:    words series figures page sheetpage terminal
    demo:    spectra sensor dngfile kit scenario
    cli:     options demo ingest report correct camera app
"""

__version__ = "0.1.0"
