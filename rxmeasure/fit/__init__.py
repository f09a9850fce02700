"""Fit arithmetic: nominal diameters, trimming, binding depth, increments, volumes."""

from __future__ import annotations

from rxmeasure.fit.dimensions import (
    ISO_SIZES,
    WORKING_PART_MM,
    CanalDiameter,
    DiameterBand,
    PreparedCanal,
    Product,
    canal_diameters,
    iso_size,
    nominal_band,
    nominal_diameter_mm,
    size_tolerance_mm,
    u_diameter_mm,
)
from rxmeasure.fit.seating import CarrierFit, Seat, Seating, carrier_fit, seat, seat_point
from rxmeasure.fit.trimming import Cut, TrimmedPoint, cut_for_size, trim
from rxmeasure.fit.volume import (
    FillPlan,
    SealerShare,
    Volume,
    backfill_increments,
    canal_volume,
    plan_fill,
    sealer_share,
    truncated_cone_mm3,
)

__all__ = [
    "ISO_SIZES",
    "WORKING_PART_MM",
    "CanalDiameter",
    "CarrierFit",
    "Cut",
    "DiameterBand",
    "FillPlan",
    "PreparedCanal",
    "Product",
    "Seat",
    "Seating",
    "SealerShare",
    "TrimmedPoint",
    "Volume",
    "backfill_increments",
    "canal_diameters",
    "canal_volume",
    "carrier_fit",
    "cut_for_size",
    "iso_size",
    "nominal_band",
    "nominal_diameter_mm",
    "plan_fill",
    "seat",
    "seat_point",
    "sealer_share",
    "size_tolerance_mm",
    "truncated_cone_mm3",
    "trim",
    "u_diameter_mm",
]
