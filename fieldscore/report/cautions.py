"""What every report says beside its figures, so that none is taken for more than it is (measures.md, 10)."""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "Every figure here describes the recording: camera, video link and recorder taken together. It says "
    "nothing certain about what your eyes saw in the goggles or about the sensor alone.",
    "A good score does not clear a flight. Whether it is safe and allowed to fly is for you to judge on the spot.",
    "With goggles on you cannot see the sky around you. Many authorities require an observer beside the "
    "pilot, and flying at night can call for lights on the drone, training or a permission. Follow the "
    "rules of the place.",
    "Test with a torch on the ground only, with the propellers off, and never point it at people, traffic or animals.",
    "Strong torches and the sun can injure eyes; the risk group on a lamp (IEC 62471) says how much. Do not "
    "look into them.",
    "Keep the lenses of the goggles out of the sun: they focus it and burn the displays within moments.",
    "Give single, long pulses of light. Never strobe: flicker can trigger seizures in photosensitive people.",
    "Charge, store and carry batteries as their maker says.",
)
