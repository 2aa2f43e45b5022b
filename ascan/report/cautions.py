"""The cautions that README, help and reports carry."""

CAUTION = (
    "Caution: a thickness is only as good as its echo, its calibration and its coverage. Pits "
    "smaller than the beam, positions not scanned and positions refused are not covered. Rough "
    "corroded surfaces have misled readings by a millimetre and more. The governing code, the "
    "written procedure and qualified personnel decide; this program does not."
)
