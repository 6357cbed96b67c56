"""The safety words that stand on every page that advises anything. Pure."""

CAUTIONS = (
    "Estimate from sensors. It does not replace the machine's manual, local codes or a qualified technician.",
    "Oil and surfaces can burn: let the machine cool below 40 °C (104 °F) before opening anything.",
    (
        "Stored pressure can kill. An iced or failed sensor can read 0 with full pressure inside: confirm "
        "with a second, independent gauge and relieve all pressure before opening or draining."
    ),
    (
        "Lock out the drive (engine, power take-off, hydraulic valve) before work. Hydraulic lines can hold "
        "injection pressure after stopping: never search a leak by hand."
    ),
    "Nothing on this board starts or stops a machine.",
)
SHORT_CAUTION = (
    "Estimates from sensors. Hot oil, stored pressure: an iced sensor can read 0 with full pressure inside. "
    "Confirm with a second gauge, relieve, lock out the drive, follow the manual, local codes and a "
    "qualified technician. Nothing here starts or stops a machine."
)
WORK_CAUTIONS = (
    (
        "Cold, stood at least 15 min, drive locked out, pressure relieved and proved gone with a second "
        "gauge: only then open a drain or filler. Hot oil sprays and burns."
    ),
    "Collect what comes out: oily water and used oil are regulated waste in most places.",
    (
        "The machine's manual, local codes and a qualified technician decide how it is done. The board only "
        "keeps that it was done, and takes your word for it."
    ),
)
"""Beside the record of a drain or an oil change."""
