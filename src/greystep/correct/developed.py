"""A correction on developed linear images: exact as one 3x3 matrix, approximate as three slopes."""

from typing import Final

import numpy as np

from greystep.arrays import Floats
from greystep.errors import GreystepError
from greystep.measure import chromaticity
from greystep.session.ingest import Body

#: The light of an sRGB code of 240 (IEC 61966-2-1).
_LIGHT_OF_240: Final = ((240.0 / 255.0 + 0.055) / 1.055) ** 2.4


def developed_matrix(body: Body, neutral: Floats, space: str) -> Floats:
    """Return A (3, 3): camera RGB to a linear working space, the reference neutral mapped to (k, k, k) with k near 1.

    ``A = (XYZ -> space) * Bradford(reference white -> white of the space) * inv(XYZ -> camera)``, scaled so that the
    reference neutral, green = 1, becomes (1, 1, 1).

    Raises:
        GreystepError: If the body has no colour matrix.
    """
    if body.matrix is None:
        raise GreystepError(
            f"{body.label}: no colour matrix is known for this camera, so no matrix for developed images can be given; "
            "make one with a colour chart or use DNG files"
        )
    to_xyz = np.linalg.inv(body.matrix)
    white = to_xyz @ neutral
    from_xyz, space_white = chromaticity.working_space(space)
    adapt = chromaticity.bradford(white / white[1], space_white)
    return np.asarray(from_xyz @ adapt @ to_xyz / white[1])


def developed_correction(
    developed: Floats, gains: Floats, stops: float, neutral: Floats, space: str
) -> tuple[Floats, Floats, float]:
    """Return the 3x3 matrix of one frame, the slopes that approximate it, and their worst residual.

    Args:
        developed: (3, 3) array. A of `developed_matrix`.
        gains: (3,) array. Camera gains, green = 1.
        stops: Brightness [stops].
        neutral: (3,) array. Camera RGB of the grey target under the light that the gains lead to.
        space: Working space of `developed`.

    Returns:
        matrix: (3, 3) array. ``A diag(2**stops * gains) inv(A)``.
        slopes: (3,) array. ``2**stops`` times the ratio of the two neutrals in the working space: exact for neutrals.
        residual: Largest u'v' distance between the two corrections over the 24 chart colours [steps of 0.0011].
    """
    scale = 2.0**stops
    matrix = developed @ np.diag(scale * gains) @ np.linalg.inv(developed)
    slopes = scale * (developed @ neutral) / (developed @ (neutral / gains))
    from_xyz, space_white = chromaticity.working_space(space)
    to_xyz = np.linalg.inv(from_xyz)
    wanted = from_xyz @ chromaticity.chart_xyz(space_white).T
    uncorrected = np.linalg.solve(matrix, wanted)
    residual = chromaticity.steps(
        chromaticity.xyz_to_upvp((to_xyz @ wanted).T),
        chromaticity.xyz_to_upvp((to_xyz @ (slopes[:, None] * uncorrected)).T),
    )
    return matrix, slopes, float(np.max(residual))


def to_rec709(space: str) -> Floats:
    """Return the matrix (3, 3) from a working space to linear Rec.709, white to white."""
    from_xyz, white = chromaticity.working_space(space)
    to_shown, shown_white = chromaticity.working_space("lin_rec709")
    return np.asarray(to_shown @ chromaticity.bradford(white, shown_white) @ np.linalg.inv(from_xyz))


def white_of_240(shown: Floats) -> Floats:
    """Return the 8-bit sRGB codes (3,), cut at 255, that a white of 240 reads in a cast.

    Args:
        shown: (3,) array. The neutral in linear Rec.709, (1, 1, 1) without a cast.
    """
    return chromaticity.srgb_code(_LIGHT_OF_240 * shown)
