"""Facts of a job that older records and exports kept as texts among its labels."""

from collections.abc import Mapping
from typing import Any


def facts_apart(job: Mapping[str, Any]) -> dict[str, Any]:
    """[job] with its facts under keys of their own. Records and exports once kept them as texts among the labels."""
    labels = dict(job.get("labels", {}))
    found: dict[str, Any] = {"labels": labels}
    for name in ("grade_reason", "calibration_due"):
        if name in labels:
            found[name] = labels.pop(name)
    if "distance_km" in labels:
        found["distance_km"] = _number(labels.pop("distance_km"))
    if "hose_l" in labels:
        texts = {key: labels.pop(f"hose_{key}", "") for key in ("fluid", "grade")}
        found["hose"] = {"volume_l": _number(labels.pop("hose_l")), **texts}
    return {**job, **found}


def _number(text: Any) -> Any:
    """A number that was kept as a text; what is none is left for its field to complain of."""
    try:
        return float(text)
    except (TypeError, ValueError):
        return text


def lifted(job: Any) -> Any:
    """The same of a [job] as it is read; what is none is left for its schema to complain of."""
    return facts_apart(job) if isinstance(job, Mapping) and isinstance(job.get("labels"), Mapping) else job
