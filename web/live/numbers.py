"""The station's numbers in the Prometheus text format. The library is some megabytes that most bays never ask for: this module
is loaded by the first question."""

from collections.abc import Iterator

from prometheus_client import CollectorRegistry
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.metrics_core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    InfoMetricFamily,
    Metric,
)
from prometheus_client.registry import Collector

from station.bay.health import Health
from station.bay.watchdog import BUCKETS_S, Turns
from web.frame.connections import Open
from web.live.hub import Hub

MEDIA_TYPE = CONTENT_TYPE_LATEST


def text_of(health: Health, hub: Hub, connections: Open) -> bytes:
    """One moment's numbers, as ``MEDIA_TYPE`` has them."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Now(health, hub, connections))
    return generate_latest(registry)


class _Now(Collector):
    """One moment's numbers. They are counted where they arise; this only names them."""

    def __init__(self, health: Health, hub: Hub, connections: Open) -> None:
        self._health, self._hub, self._connections = health, hub, connections

    def collect(self) -> Iterator[Metric]:
        now, turns, connections = self._health, self._health.turns, self._connections
        yield InfoMetricFamily("tallypan_software", "Identity of the software.", {"sha256": now.software})
        well = GaugeMetricFamily(
            "tallypan_check_ok", "1 where a check finds nothing wrong.", labels=["check"]
        )
        for name, check in now.checks.items():
            well.add_metric([name], int(check.ok))
        yield well
        yield _loop(turns)
        yield CounterMetricFamily("tallypan_samples", "Samples taken from devices.", turns.samples)
        yield GaugeMetricFamily("tallypan_inbox_items", "Samples and calls not taken yet.", now.inbox)
        yield CounterMetricFamily("tallypan_record_writes", "Units of the record on disk.", now.written)
        yield GaugeMetricFamily("tallypan_record_queue_units", "Units on their way to disk.", now.waiting)
        if now.free_bytes is not None:
            yield GaugeMetricFamily("tallypan_disk_free_bytes", "Free where the record lies.", now.free_bytes)
        over = CounterMetricFamily(
            "tallypan_jobs", "Jobs that came to an end since the start.", labels=["end"]
        )
        for end, n in now.jobs.items():
            over.add_metric([end], n)
        yield over
        yield GaugeMetricFamily("tallypan_job_open", "1 while a job is open.", int(now.job_open))
        yield GaugeMetricFamily("tallypan_pump_on", "1 while the pump's relay reads on.", int(now.pump_on))
        yield GaugeMetricFamily("tallypan_streams", "Pages that follow the bay.", self._hub.following)
        yield GaugeMetricFamily("tallypan_connections", "Open connections.", len(connections))
        ended = CounterMetricFamily(
            "tallypan_connections_ended", "Connections that the station ended or refused.", labels=["why"]
        )
        for why, n in (
            ("evicted", connections.evicted),
            ("refused", connections.refused),
            ("late", connections.late),
        ):
            ended.add_metric([why], n)
        yield ended


def _loop(turns: Turns) -> Metric:
    """Intervals between the engine's turns, cumulative as the format wants them."""
    so_far, buckets = 0, []
    for limit, n in zip((*map(str, BUCKETS_S), "+Inf"), list(turns.within), strict=True):
        so_far += n
        buckets.append((limit, float(so_far)))
    return HistogramMetricFamily(
        "tallypan_loop_interval_seconds",
        "From one turn of the engine, and beat to the pump's guard, to the next.",
        buckets,
        sum_value=turns.seconds,
    )
