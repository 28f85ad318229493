"""Every figure that comes from a document, with its unit and its source; after them those of this project itself.

Marks: a source that was read stands by name; ``from memory`` and ``common practice, no source`` say so.
Each block belongs to one stage of the flow; add a value beside its kin, in the part where it belongs.
"""

from enum import IntEnum
from typing import Final

# ======================================================================================================================
# Part 1: published values
# ======================================================================================================================

# --- chromaticity ---------------------------------------------------------------------------------------------------

#: Radius of a one-step circle in CIE 1976 u'v'. CIE TN 001:2014 (title and contents read; the figure from memory).
STEP_UPRIME_VPRIME: Final = 0.0011

#: CCT is not to be given farther than this from the Planckian locus, in CIE 1960 uv. CIE 15:2004, quoted by CORM 2011.
DUV_LIMIT: Final = 0.05

#: Second radiation constant [m K] of the ITS-90, as CIE 15:2004 asks.
C2_M_K: Final = 1.4388e-2

#: CCT is only given between these [K]. Ohno 2014 (abstract read) states 1 K up to 20 000 K; the table of the locus that
#: the library searches ends here, and beyond its ends the nearest point is not found.
CCT_RANGE_K: Final = (1000.0, 100_000.0)

# --- camera ---------------------------------------------------------------------------------------------------------

#: EXIF LightSource code -> temperature [K] of the calibration illuminant; the middle of the range of a fluorescent
#: type. DNG SDK 1.7.1, dng_camera_profile.cpp and dng_tag_values.h (read). Code 0 is unknown; 255 is not in the table.
LIGHT_SOURCE_K: Final[dict[int, float]] = {
    1: 5500.0,  # daylight
    2: 4150.0,  # fluorescent
    3: 2850.0,  # tungsten
    4: 5500.0,  # flash
    9: 5500.0,  # fine weather
    10: 6500.0,  # cloudy
    11: 7500.0,  # shade
    12: 6400.0,  # daylight fluorescent
    13: 5050.0,  # day white fluorescent
    14: 4150.0,  # cool white fluorescent
    15: 3525.0,  # white fluorescent
    16: 2925.0,  # warm white fluorescent
    17: 2850.0,  # standard light A
    18: 5500.0,  # standard light B
    19: 6500.0,  # standard light C
    20: 5500.0,  # D55
    21: 6500.0,  # D65
    22: 7500.0,  # D75
    23: 5000.0,  # D50
    24: 3200.0,  # ISO studio tungsten
}


class DngTag(IntEnum):
    """The tags that are read or written here, by their names in TIFF 6.0, EXIF 2.3 and the DNG specification 1.7.1."""

    NEW_SUBFILE_TYPE = 254
    IMAGE_WIDTH = 256
    IMAGE_LENGTH = 257
    BITS_PER_SAMPLE = 258
    COMPRESSION = 259
    PHOTOMETRIC = 262
    FILL_ORDER = 266
    MAKE = 271
    MODEL = 272
    STRIP_OFFSETS = 273
    ORIENTATION = 274
    SAMPLES_PER_PIXEL = 277
    ROWS_PER_STRIP = 278
    STRIP_BYTE_COUNTS = 279
    PLANAR_CONFIGURATION = 284
    PREDICTOR = 317
    TILE_WIDTH = 322
    TILE_LENGTH = 323
    TILE_OFFSETS = 324
    TILE_BYTE_COUNTS = 325
    SUB_IFDS = 330
    SAMPLE_FORMAT = 339
    CFA_REPEAT_PATTERN_DIM = 33421
    CFA_PATTERN = 33422
    EXPOSURE_TIME = 33434
    F_NUMBER = 33437
    EXIF_POINTER = 34665
    PHOTOGRAPHIC_SENSITIVITY = 34855
    SENSITIVITY_TYPE = 34864
    RECOMMENDED_EXPOSURE_INDEX = 34866
    EXIF_VERSION = 36864
    DATE_TIME_ORIGINAL = 36867
    FLASH = 37385
    FOCAL_LENGTH = 37386
    SUB_SEC_TIME_ORIGINAL = 37521
    BODY_SERIAL_NUMBER = 42033
    LENS_MODEL = 42036
    DNG_VERSION = 50706
    DNG_BACKWARD_VERSION = 50707
    UNIQUE_CAMERA_MODEL = 50708
    CFA_PLANE_COLOR = 50710
    CFA_LAYOUT = 50711
    LINEARIZATION_TABLE = 50712
    BLACK_LEVEL_REPEAT_DIM = 50713
    BLACK_LEVEL = 50714
    BLACK_LEVEL_DELTA_H = 50715
    BLACK_LEVEL_DELTA_V = 50716
    WHITE_LEVEL = 50717
    DEFAULT_CROP_ORIGIN = 50719
    DEFAULT_CROP_SIZE = 50720
    COLOR_MATRIX_1 = 50721
    COLOR_MATRIX_2 = 50722
    CAMERA_CALIBRATION_1 = 50723
    CAMERA_CALIBRATION_2 = 50724
    ANALOG_BALANCE = 50727
    AS_SHOT_NEUTRAL = 50728
    AS_SHOT_WHITE_XY = 50729
    BASELINE_EXPOSURE = 50730
    CAMERA_SERIAL_NUMBER = 50735
    CALIBRATION_ILLUMINANT_1 = 50778
    CALIBRATION_ILLUMINANT_2 = 50779
    RAW_DATA_UNIQUE_ID = 50781
    ORIGINAL_RAW_FILE_NAME = 50827
    ACTIVE_AREA = 50829
    MASKED_AREAS = 50830
    CAMERA_CALIBRATION_SIGNATURE = 50931
    PROFILE_CALIBRATION_SIGNATURE = 50932
    RAW_IMAGE_DIGEST = 50972
    SUB_TILE_BLOCK_SIZE = 50974
    ROW_INTERLEAVE_FACTOR = 50975
    OPCODE_LIST_1 = 51008
    OPCODE_LIST_2 = 51009
    OPCODE_LIST_3 = 51022
    COLOR_MATRIX_3 = 52531
    ILLUMINANT_DATA_1 = 52533
    ILLUMINANT_DATA_2 = 52534
    COLUMN_INTERLEAVE_FACTOR = 52547


# --- demo -----------------------------------------------------------------------------------------------------------

#: Lines of xenon in the visible and near infrared [nm], Xe I and Xe II. From memory; good enough for an invented flash.
XENON_LINES_NM: Final = (
    450.1, 462.4, 467.1, 473.4, 484.4, 492.3, 529.2, 541.9, 597.7, 605.1, 618.2, 711.9, 764.2, 823.2, 828.0,
)  # fmt: skip

# --- exposure -------------------------------------------------------------------------------------------------------

#: EXIF ISOSpeedRatings holds this where the value is too large for the tag. EXIF 2.3, from memory.
ISO_NOT_IN_TAG: Final = 65535.0

# --- mixed light ----------------------------------------------------------------------------------------------------

#: Two whites side by side are told apart from about so many steps: three standard deviations of colour matching, the
#: "3-step" ellipse. Lighting Research Center, Lighting Answers vol. 8 no. 1 (read); an even field, a trained eye.
STEPS_SEEN: Final = 3.0

#: L* of a mid grey; CIE 15 gives Y = 0.1842 for it.
MID_GREY_Y: Final = 0.1842

#: Correction gels in the trade's words: mired shift and half the spread between makers, Duv shift and half the spread,
#: light lost [stops]. Common practice, varies by maker. The mired shifts of CTO and CTB lie between the tables on the
#: market (public lists read: CTO 20-26, 42-64, 81-109, 159-167; CTB 12-18, 30-35, 68-78, 131-137; those of 3/4 from
#: memory). The Duv shifts are this project's own arithmetic on a block dye of the density that the fractions stand for
#: (0.30, 0.15, 0.075, 0.035, as CC30 and on) at 5600 K, no outside source. Light lost: from memory.
NOMINAL_GELS: Final = (
    ("full CTO", 163.0, 5.0, 0.0, 0.003, 0.7),
    ("3/4 CTO", 131.0, 12.0, 0.0, 0.003, 0.6),
    ("1/2 CTO", 95.0, 14.0, 0.0, 0.002, 0.5),
    ("1/4 CTO", 53.0, 11.0, 0.0, 0.001, 0.3),
    ("1/8 CTO", 23.0, 3.0, 0.0, 0.0005, 0.2),
    ("full CTB", -134.0, 4.0, 0.0, 0.003, 1.7),
    ("3/4 CTB", -106.0, 8.0, 0.0, 0.003, 1.2),
    ("1/2 CTB", -73.0, 5.0, 0.0, 0.002, 0.9),
    ("1/4 CTB", -32.0, 3.0, 0.0, 0.001, 0.5),
    ("1/8 CTB", -15.0, 3.0, 0.0, 0.0005, 0.3),
    ("full plus green", -3.0, 2.0, 0.024, 0.006, 0.4),
    ("1/2 plus green", -1.5, 1.0, 0.012, 0.003, 0.25),
    ("1/4 plus green", -1.0, 1.0, 0.006, 0.0015, 0.15),
    ("1/8 plus green", -0.5, 0.5, 0.003, 0.0008, 0.1),
    ("full minus green", -7.0, 4.0, -0.030, 0.004, 0.7),
    ("1/2 minus green", -2.5, 2.0, -0.015, 0.002, 0.35),
    ("1/4 minus green", -1.0, 1.0, -0.0075, 0.001, 0.2),
    ("1/8 minus green", -0.5, 0.5, -0.0035, 0.0005, 0.1),
)

#: The linear matrix from XYZ to the cone-like responses in which whites are adapted, Bradford; ICC.1:2010 annex E, from
#: memory (checked against colour-science in the tests).
BRADFORD: Final = ((0.8951, 0.2664, -0.1614), (-0.7502, 1.7135, 0.0367), (0.0389, -0.0685, 1.0296))
#: CIE xy of the primaries and the white of a screen, ITU-R BT.709-6 table 1 (from memory): red, green, blue; D65.
SCREEN_PRIMARIES: Final = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
SCREEN_WHITE: Final = (0.3127, 0.3290)

# ======================================================================================================================
# Part 2: this project's own arithmetic, simulations and assumptions; no document says them
# ======================================================================================================================

# --- exposure -------------------------------------------------------------------------------------------------------

#: No marking of the third-stop series lies farther from its exact value [stops]; the worst is 1/60 for 1/64, 0.093.
#: Arithmetic on the markings (EXIF / APEX: Av = 2 log2 N, Tv = -log2 T).
MARKING_TOLERANCE_STOPS: Final = 0.1

# --- grey target ----------------------------------------------------------------------------------------------------

#: How far the spectrum of a flash may lie from a smooth one of its colour: first and last band and their width (sd, and
#: from band to band) [nm], and the share (k = 1) by which each band may be higher or lower. An assumption of this tool:
#: a line of 2.5 nm that stands 0.3 over the continuum is as much light as 0.04 of such a band.
FLASH_SHAPE: Final = (380.0, 780.0, 20.0, 0.04)

# --- room light -----------------------------------------------------------------------------------------------------

#: A lamp that nobody saw go on, to say what it would cost: the colour temperature of a tungsten bulb [K], and its light
#: as a share of that on the target at its brightest. Assumptions of this tool.
LAMP_K: Final = 2900.0
LAMP_SHARE: Final = 0.001

# --- drift ----------------------------------------------------------------------------------------------------------

#: A step of 0.0011 in u'v' is at least so many mired along the Planckian locus between 2700 and 6500 K (3.1 to 2.2),
#: and so much Duv across it (0.00077 at 3200 K, 0.00089 at 5600 K). Arithmetic on the locus.
MIRED_A_STEP: Final = 2.2
DUV_A_STEP: Final = 0.00077

#: Observer term (k = 1) of one head over its powers, as a share of the difference: another camera may see that much
#: more or less. This project's own simulation on open spectra, no outside source.
OBSERVER_SAME_HEAD: Final = 0.07

#: The same between two heads of one model and dome, as a share of the difference; own simulation, no outside source.
OBSERVER_SAME_TYPE: Final = 0.04

#: The same between heads of other tube, coating or dome [mired], whatever the difference; own simulation, no source.
OBSERVER_OTHER_TYPE_MIRED: Final = 3.0

#: What a head put on the stand anew, with the card where it was, adds to all that is shot of it there (k = 1): its
#: place, and what the room throws back [mired, Duv]. An assumption of this tool, no source.
PLACEMENT_MIRED: Final = 0.5
PLACEMENT_DUV: Final = 0.0001

#: What camera and mains may add between two heads (k = 1) where nothing was seen twice that would tell [mired, Duv]:
#: the upper end of what is met. An assumption of this tool, no source.
UNWATCHED_MIRED: Final = 1.0
UNWATCHED_DUV: Final = 0.0002

# --- budget: what the half-widths of a session leave out --------------------------------------------------------------

#: Limits (mired, Duv) of what a camera's own matrix reads of a flash near 5600 K; by camera. This project's own
#: simulation on open spectra, no outside source.
MATRIX_LIMITS: Final = (4.5, 0.002)
#: What such matrices make of a true difference of 8 mired, least and most; the same simulation.
MATRIX_READS_8_MIRED: Final = (7.8, 8.9)
#: Where that was simulated [K], and how far from it a light may be [mired] for a daylight matrix to be said to serve
#: it: as far as any white may be from the one at which its matrix is fixed. This project's own.
DAYLIGHT_FLASH_K: Final = 5600.0
FAR_FROM_DAYLIGHT_MIRED: Final = 50.0

#: The same of a hand-held colour meter in good order: about 100 K at 5600 K. Common practice, no source.
METER_LIMITS: Final = (3.0, 0.0015)

#: The same of a flash of which nothing is known, taken for 5500 K. Common practice, no source.
UNKNOWN_FLASH_LIMITS: Final = (20.0, 0.005)

#: Share by which the reflectance of a grey card that nobody measured may rise or fall from 400 to 700 nm. Common
#: practice, no source.
CARD_TILT: Final = 0.01

#: Share of the light on the card that comes back to it from surroundings as bright as the card. An assumption of this
#: tool: a card of 18 % within a stand's distance of table and wall, no outside source.
BOUNCE_SHARE: Final = 0.01

#: Domes with and without a coating against ultraviolet differ by up to so much from camera to camera [mired]. This
#: project's own simulation on open spectra, no outside source.
DOME_MIRED: Final = 3.0

#: A sensor that is 1 % from linear over 3 stops moves a light by 0.18 mired. Own simulation, no outside source.
NON_LINEAR_MIRED_A_STOP: Final = 0.06

# --- history --------------------------------------------------------------------------------------------------------

#: A colour meter's own repeatability (k = 1) from one session to the next [mired]: about one digit of a display in
#: steps of 10 K at 5500 K. An assumption of this tool, no source.
METER_REPEAT_MIRED: Final = 0.3
