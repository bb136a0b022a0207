"""Photos of a job, byte for byte as they were recorded."""

from fastapi import APIRouter
from starlette.responses import Response

from station.common.words import _
from station.learning import condition
from web.frame.deps import Station, job_of
from web.frame.problem import Problem

router = APIRouter()

MIME = {"jpg": "image/jpeg", "png": "image/png"}


@router.get("/jobs/{job_id}/photos/{name}")
def photo(engine: Station, job_id: str, name: str) -> Response:
    """One photo, looked for among those of its job only."""
    job_of(engine, job_id)
    with engine.reading() as ledger:
        names = [photo.name for photo in condition.of_job(ledger, job_id).photos]
    try:
        if name not in names:
            raise KeyError(name)
        data = condition.load(condition.folder_of(engine.settings().ledger), name)
    except KeyError:
        raise Problem(404, _("No such photo"), _("This job has no photo of that name.")) from None
    return Response(data, media_type=MIME[name.rpartition(".")[2]])
