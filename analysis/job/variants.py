"""Kinds of entries whose fields depend on one of them: which limit, which instrument.  For forms; the rules decide what is taken."""

from __future__ import annotations

from analysis.job.rules import LIMITS

_INSTRUMENTS: dict[str, tuple[str, ...]] = {
    "arbor": ("constant", "u", "tip_radius"),
    "master": ("distance", "u"),
    "indicator": ("resolution", "mpe", "repeatability", "travel"),
    "micrometer": ("resolution", "u"),
    "blade": ("thickness", "u"),
    "torque gauge": (),
    "spring scale": (),
    "thermometer": (),
}
_SHAPES: dict[str, tuple[str, ...]] = {
    "value": ("value",),
    "signed": ("value",),
    "range": ("min", "max"),
    "band": ("value", "tolerance", "min", "max"),
}


def variants_of(kind: str) -> dict[str, object] | None:
    """How the fields of a kind depend on one of them.

    Returns
    -------
    dict or None
        ``by``, the field they depend on, and ``fields``, for each of its values: the fields that belong to it, and with ``dimension``
        what those measure.  A field that belongs to no value is asked for always.
    """
    if kind == "limit":
        return {
            "by": "name",
            "fields": {
                name: {
                    "fields": [
                        *_SHAPES[shape],
                        *(f"also_{k}" for k in _SHAPES[shape]),
                        *(("condition",) if dimension == "torque" else ()),
                    ],
                    "dimension": dimension,
                }
                for name, (dimension, shape) in LIMITS.items()
            },
        }
    if kind == "instrument":
        return {"by": "type", "fields": {name: {"fields": list(fields)} for name, fields in _INSTRUMENTS.items()}}
    return None
