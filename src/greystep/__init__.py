"""Colour-consistency log analyser for studio flash.

The flow is the layout: raw frames -> measure -> log -> compare -> correct -> show.
A folder imports only folders above it in this map, and a file only files named before it in its own folder;
the ground files serve everyone. ``demo`` uses the ground files and ``log`` alone, and only ``cli`` uses ``demo``.

    ground:  errors terms flags columns published arrays words files
    measure: uncertainty exposure levels dng frame target surround patch chromaticity camera chart calibration
             reading
    log:     power sheet settings session sequence shots rig plan draft ambient reference bodies faults table placing
             colour remarks cache ingest arrivals
    compare: fit clock warmup cells contrasts reference drift bracket sensitivity attribution limits blame
             findings advice verdict rounds planning anchors history
    mix:     gels setup choice mixing casts changes remedies planned additive audit ganging
    correct: blocks framing overlap developed reference profile unmix series lit smooth sources gains exchange
             dngcopy images demosaic render plates check
    sentences: frames session_notes kit kit_notes summary setups moves
    show:    words strips series canvas figures page sheetpage moves washes auditpage terminal
    demo:    spectra sensor dngfile kit scenario
    cli:     options demo plan ingest watch report correct render audit choose camera history app
"""

__version__ = "0.1.0"
