"""What everybody near a shot is told, whatever its figures."""

CAUTIONS: tuple[str, ...] = (
    "High voltage and stored energy kill: only qualified persons, never alone (two-person rule), work near the bank.",
    "Interlocks on every access; charge and fire remotely, with nobody inside the barrier.",
    "After every shot or charge without a shot: bleed down, check, fit a visible short before approach, leave it on.",
    "A barrier that stops the coil's debris encloses the coil on all sides; nobody looks past it.",
    "Eye and ear protection for everybody within hearing; strong field: keep implants, cards and loose iron away.",
    "The part and the coil's remains are hot and sharp; ventilate copper fume and smoke.",
    "These figures are estimates for planning and no substitute for a safety review.",
    "Local codes and licensed practice decide.",
)
