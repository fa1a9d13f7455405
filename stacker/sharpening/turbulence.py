"""What Kolmogorov turbulence does to short exposures whose motion is undone: numbers in one place.

Both tables come from 3840 phase screens of 48 px across the aperture (power 0.0229 r0^(-5/3) f^(-11/3), Kolmogorov;
piston and tilt removed; residual variance 0.133 (D/r0)^(5/3) rad^2, where Noll 1976, J. Opt. Soc. Am. 66, 207, has
0.134), averaged over apertures without obstruction and with one of 0.3, while r0 wanders by a quarter (one sigma of its
logarithm), as it does in a garden. `python scripts/experiment_sharpening.py --screens` makes them anew. Frequencies are
in units of the cutoff D / lambda; q is D / r0 of the steady air that passes as much at 0.05 to 0.6 of the cutoff.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stacker.sky.optics import diffraction_transfer

Curve = NDArray[np.float64]

_FREQUENCY = np.array([0.0, 0.025, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9])
_FRIED = np.array([1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0])

# Mean transfer A of the air, a row for each q: -ln A / q^(5/3). Fried 1966, J. Opt. Soc. Am. 56, 1372, gives
# 3.44 f^(5/3) (1 - f^(1/3)) for steady air: within 5 % of the first row up to f = 0.25 and high beyond.
_ATTENUATION = np.array(
    [
        [0.0000, 0.0070, 0.0159, 0.0384, 0.0658, 0.0927, 0.1157, 0.1348, 0.1533, 0.1555, 0.1463, 0.1298, 0.1161, 0.1173],
        [0.0000, 0.0071, 0.0161, 0.0387, 0.0662, 0.0930, 0.1157, 0.1344, 0.1523, 0.1543, 0.1451, 0.1290, 0.1156, 0.1173],
        [0.0000, 0.0072, 0.0163, 0.0392, 0.0666, 0.0933, 0.1156, 0.1339, 0.1511, 0.1526, 0.1435, 0.1278, 0.1150, 0.1173],
        [0.0000, 0.0073, 0.0165, 0.0396, 0.0671, 0.0935, 0.1155, 0.1332, 0.1498, 0.1509, 0.1418, 0.1265, 0.1143, 0.1172],
        [0.0000, 0.0074, 0.0168, 0.0401, 0.0676, 0.0938, 0.1153, 0.1326, 0.1484, 0.1491, 0.1399, 0.1251, 0.1136, 0.1172],
        [0.0000, 0.0075, 0.0171, 0.0406, 0.0681, 0.0940, 0.1151, 0.1320, 0.1471, 0.1473, 0.1381, 0.1236, 0.1128, 0.1171],
        [0.0000, 0.0077, 0.0174, 0.0411, 0.0686, 0.0943, 0.1150, 0.1314, 0.1457, 0.1453, 0.1361, 0.1221, 0.1121, 0.1170],
        [0.0000, 0.0080, 0.0180, 0.0421, 0.0695, 0.0947, 0.1147, 0.1302, 0.1428, 0.1414, 0.1321, 0.1192, 0.1107, 0.1169],
        [0.0000, 0.0083, 0.0187, 0.0432, 0.0705, 0.0952, 0.1144, 0.1288, 0.1400, 0.1375, 0.1281, 0.1162, 0.1094, 0.1166],
        [0.0000, 0.0087, 0.0193, 0.0441, 0.0713, 0.0955, 0.1139, 0.1275, 0.1374, 0.1340, 0.1242, 0.1132, 0.1084, 0.1161],
        [0.0000, 0.0090, 0.0200, 0.0451, 0.0720, 0.0956, 0.1131, 0.1262, 0.1348, 0.1311, 0.1205, 0.1102, 0.1075, 0.1147],
        [0.0000, 0.0097, 0.0213, 0.0469, 0.0732, 0.0948, 0.1104, 0.1258, 0.1299, 0.1266, 0.1135, 0.1037, 0.1055, 0.1094],
    ]
)

# Speckle power of single exposures beyond that of the mean, in units of the telescope's transfer over q^2, a row for
# each q. Korff 1973, J. Opt. Soc. Am. 63, 971, treats the limit of strong turbulence; below it speckle is not developed.
_SPECKLE = np.array(
    [
        [0.0000, 0.0004, 0.0007, 0.0018, 0.0033, 0.0048, 0.0062, 0.0075, 0.0094, 0.0087, 0.0062, 0.0049, 0.0056, 0.0052],
        [0.0000, 0.0014, 0.0027, 0.0074, 0.0146, 0.0219, 0.0283, 0.0334, 0.0393, 0.0361, 0.0271, 0.0202, 0.0193, 0.0161],
        [0.0000, 0.0038, 0.0081, 0.0236, 0.0462, 0.0677, 0.0845, 0.0964, 0.1074, 0.0981, 0.0763, 0.0563, 0.0489, 0.0378],
        [0.0000, 0.0089, 0.0197, 0.0576, 0.1088, 0.1524, 0.1819, 0.2000, 0.2128, 0.1935, 0.1545, 0.1151, 0.0949, 0.0696],
        [0.0000, 0.0182, 0.0415, 0.1177, 0.2097, 0.2772, 0.3157, 0.3346, 0.3417, 0.3096, 0.2530, 0.1918, 0.1545, 0.1092],
        [0.0000, 0.0340, 0.0781, 0.2104, 0.3488, 0.4324, 0.4697, 0.4807, 0.4734, 0.4277, 0.3572, 0.2770, 0.2214, 0.1528],
        [0.0000, 0.0588, 0.1343, 0.3385, 0.5178, 0.6010, 0.6236, 0.6174, 0.5887, 0.5313, 0.4533, 0.3603, 0.2886, 0.1964],
        [0.0000, 0.1528, 0.3318, 0.6948, 0.8818, 0.8942, 0.8524, 0.7975, 0.7254, 0.6578, 0.5837, 0.4876, 0.3984, 0.2700],
        [0.0000, 0.3257, 0.6532, 1.1109, 1.1700, 1.0545, 0.9430, 0.8496, 0.7571, 0.6937, 0.6340, 0.5522, 0.4628, 0.3191],
        [0.0000, 0.5993, 1.0908, 1.4932, 1.3172, 1.0801, 0.9272, 0.8203, 0.7311, 0.6772, 0.6321, 0.5691, 0.4887, 0.3471],
        [0.0000, 1.0265, 1.6253, 1.7310, 1.3010, 1.0079, 0.8542, 0.7572, 0.6823, 0.6351, 0.6016, 0.5545, 0.4864, 0.3582],
        [0.0000, 2.2443, 2.7435, 1.8523, 1.0842, 0.8089, 0.6949, 0.6297, 0.5823, 0.5459, 0.5264, 0.5025, 0.4557, 0.3605],
    ]
)


def air_transfer(frequency: Curve, aperture_over_r0: float) -> Curve:
    """Return the transfer of the air in the mean of short exposures, at `frequency` in units of the cutoff.

    Held at its value at 0.9 beyond it. Limits: the shape is that of D/r0 from 1 to 10.
    """
    return np.asarray(np.exp(-_row(_ATTENUATION, aperture_over_r0, frequency) * aperture_over_r0 ** (5.0 / 3.0)))


def speckle_power(frequency: Curve, aperture_over_r0: float, obstruction_ratio: float) -> Curve:
    """Return the mean squared transfer of single exposures less the squared mean, telescope included.

    `frequency` is in units of the cutoff. Limits: D/r0 from 1 to 10; smaller ones are scaled down from 1.
    """
    weak = min(aperture_over_r0 / _FRIED[0], 1.0) ** (16.0 / 3.0)
    scaled = weak * _row(_SPECKLE, aperture_over_r0, frequency) / aperture_over_r0**2
    return np.asarray(scaled * diffraction_transfer(frequency, obstruction_ratio))


def _row(table: Curve, aperture_over_r0: float, frequency: Curve) -> Curve:
    """Return the table's row for this D/r0, between rows by proportion, at `frequency`."""
    q = min(max(aperture_over_r0, _FRIED[0]), _FRIED[-1])
    above = int(np.clip(np.searchsorted(_FRIED, q), 1, len(_FRIED) - 1))
    part = (q - _FRIED[above - 1]) / (_FRIED[above] - _FRIED[above - 1])
    row = (1.0 - part) * table[above - 1] + part * table[above]
    return np.asarray(np.interp(frequency, _FREQUENCY, row))
