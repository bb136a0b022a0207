"""The sheet of a job: what somebody would have typed for it."""

import tomli_w

from tests.apart.matter import Fluid
from tests.apart.scene import Scene, Typed


def job_toml(scene: Scene) -> str:
    """The JOB.toml of a scene."""
    t: Typed = scene.typed

    def fluid(
        typed: Fluid | None, true: Fluid, origin: str | None, u_kg_m3: float | None
    ) -> dict[str, object]:
        f = typed or true
        table: dict[str, object] = {
            "kind": "lubricant",
            "density_15_kg_m3": round(f.density_15_kg_m3, 1),
            "kv40_mm2_s": round(f.kv40_mm2_s, 2),
            "kv100_mm2_s": round(f.kv100_mm2_s, 3),
        }
        if origin is not None:
            table["density_origin"] = origin
        if u_kg_m3 is not None:
            table["u_density_kg_m3"] = u_kg_m3
        return table

    return tomli_w.dumps(
        {
            "job": {
                "capacity": t.capacity,
                "method": t.method,
                "reference_temperature": "20 degC",
                "tolerance_minus": f"{t.tolerance_l:g} L",
                "tolerance_plus": f"{t.tolerance_l:g} L",
            },
            "fluid": {
                "drained": fluid(t.old, scene.old, t.old_origin, t.old_u_kg_m3),
                "fresh": fluid(t.fresh, scene.fresh, t.fresh_origin, t.fresh_u_kg_m3),
            },
            "pan": {
                "zero_count": t.zero_count,
                "kg_per_count": t.kg_per_count,
                "u_rel": t.pan_u_rel,
                "noise_counts": t.noise_counts,
            },
            "meter": {"k_factor_per_l": t.k_per_l, "u_rel": t.meter_u_rel},
            "air": {"pressure_hpa": scene.pressure_hpa, "relative_humidity": scene.humidity},
        }
    )
