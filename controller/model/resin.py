"""The resin and its technical sheet."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from evenwall.errors import InputError
from evenwall.model.bounds import Frozen, Name, NonNegative, RoomTemp_degC, Thickness_mm, Typed


class Sheet(Typed):
    """The figures of a resin's technical sheet. Their limits are the validity range of cure.py."""

    pot_life_min: Annotated[float, Field(gt=0.5, le=24 * 60)]
    pot_life_mass_g: Annotated[float, Field(ge=5, le=5000)] = 100.0
    pot_life_temp_degC: RoomTemp_degC = 23.0
    mixed_viscosity_mPa_s: Annotated[float, Field(ge=20, le=50_000)]
    mix_ratio_b_per_100a: Annotated[float, Field(ge=0.5, le=5000)]
    mixed_density_g_cm3: Annotated[float, Field(ge=0.7, le=2.5)]
    peak_exotherm_degC: Annotated[float, Field(gt=0, le=300)] | None = None
    demould_min: Annotated[float, Field(gt=0, le=14 * 24 * 60)] | None = None
    snap: bool = False
    # By volume, from mixed to cured; 2 to 6 % is usual (from memory); a sheet may state it.
    shrinkage_percent: Annotated[float, Field(ge=0.0, le=12.0)] = 3.0

    @property
    def cured_share(self) -> float:
        """Volume of the cured resin over that of the mixed resin."""
        return 1.0 - self.shrinkage_percent / 100.0

    @property
    def cured_density_g_cm3(self) -> float:
        return self.mixed_density_g_cm3 / self.cured_share


class FirstBatch(Typed):
    """A first batch in a cup, tested by touch: grams mixed, the room, minutes until the stick drew
    no more strings."""

    mass_g: Annotated[float, Field(ge=5, le=5000)]
    temp_degC: RoomTemp_degC
    gel_min: Annotated[float, Field(gt=0.5, le=24 * 60)]


class Resin(Frozen):
    name: Name
    sheet: Sheet
    first_batch: FirstBatch | None = None
    price_per_kg: NonNegative | None = None
    currency: Annotated[str, Field(max_length=8)] = ""
    max_section_mm: Thickness_mm | None = None
    density_a_g_cm3: Annotated[float, Field(ge=0.7, le=2.5)] | None = None
    density_b_g_cm3: Annotated[float, Field(ge=0.7, le=2.5)] | None = None


def agreeing(sheet: Sheet) -> None:
    """Raise InputError if two figures of a sheet cannot both be right."""
    pot_min, pot_degC = sheet.pot_life_min, sheet.pot_life_temp_degC
    if sheet.demould_min is not None and sheet.demould_min < pot_min:
        limit = f"must be at least the pot life, {pot_min:g} min"
        hint = "are both in minutes?"
        shown = f"{sheet.demould_min:g}"
        raise InputError("sheet.demould_min", shown, limit, unit="min", hint=hint)
    if sheet.peak_exotherm_degC is not None and sheet.peak_exotherm_degC < pot_degC + 1.0:
        limit = f"must be at least 1 K above the {pot_degC:g} degC of the pot life"
        shown = f"{sheet.peak_exotherm_degC:g}"
        raise InputError("sheet.peak_exotherm_degC", shown, limit, unit="degC")
