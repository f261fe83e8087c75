"""Ranges of numbers, texts and lists that all models share, and the models' frozen base class."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

# Every number from outside has a range near the trade's figures: a figure of 1e300 is finite, and
# still breaks any computation with it. The limits are wide on purpose; narrower ones of a rig or a
# casting are checked where these are known.
Positive = Annotated[float, Field(gt=0, le=1e6, allow_inf_nan=False)]
NonNegative = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
Finite = Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)]
RoomTemp_degC = Annotated[float, Field(ge=0, le=60, allow_inf_nan=False)]  # the range of cure.py
Vector3 = tuple[Finite, Finite, Finite]  # mm, or a direction of any length
LONGEST_S = 30 * 86_400.0  # longest coat or profile: a demould time of 14 days, and a margin
Span_s = Annotated[float, Field(gt=0, le=LONGEST_S, allow_inf_nan=False)]
Moment_s = Annotated[float, Field(ge=0, le=LONGEST_S, allow_inf_nan=False)]
Grams = Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)]
LeftGrams = Annotated[float, Field(ge=0, le=100_000, allow_inf_nan=False)]
Thickness_mm = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]
Wall_mm = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]
Angle_deg = Annotated[float, Field(ge=-360, le=360, allow_inf_nan=False)]
FASTEST_RPM = 60.0  # fastest rig; a slower rig refuses a plan that was made for a faster one
Rate_rpm = Annotated[float, Field(ge=-1000, le=1000, allow_inf_nan=False)]
# Control characters, and those that reverse the direction of writing, would mislead the reader of a
# page, a log or a report.
MISLEADING = re.compile("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def _readable(name: str) -> str:
    if MISLEADING.search(name):
        raise ValueError("must have letters, digits and signs only, no control characters")
    return name


Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_readable)]
Words = Annotated[str, Field(max_length=4000)]  # a sentence, or a few
Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
MOST_COATS = 24


class Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Typed(Frozen):
    """A table written by hand: a number must be a number there, not a text, true or false."""

    model_config = ConfigDict(strict=True)
