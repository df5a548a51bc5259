"""``/metrics`` in the text format of Prometheus, and how long answers take to begin.

Of several workers each counts by itself: one answer has the figures of all, by the label *worker*.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from prometheus_client import CollectorRegistry, Histogram, ProcessCollector, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4
from prometheus_client.metrics_core import Metric
from prometheus_client.parser import text_string_to_metric_families
from prometheus_client.registry import Collector
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["CONTENT_TYPE", "Figure", "Metrics", "RequestTimes"]

PREFIX = "boothglass_"
CONTENT_TYPE = CONTENT_TYPE_PLAIN_0_0_4
BUCKETS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)


@dataclass(frozen=True)
class Figure:
    """One figure: a name without the product's, what it is, its value, and what it is of."""

    name: str
    said: str
    value: float
    labels: Mapping[str, str] = field(default_factory=dict)
    counter: bool = False


class Metrics:
    """A registry of one service's own, so that two in one process do not mix.

    Parameters
    ----------
    figures : callable
        Asked at each look for everything but request times.
    """

    def __init__(self, figures: Callable[[], Iterable[Figure]]) -> None:
        self._registry = CollectorRegistry()
        self.request_seconds = Histogram(
            f"{PREFIX}request_seconds",
            "Until an answer begins",
            ["method", "route", "status"],
            buckets=BUCKETS_S,
            registry=self._registry,
        )
        ProcessCollector(registry=self._registry)
        self._registry.register(_Asked(figures))
        self.labels: Callable[[], Mapping[str, str]] = dict
        """Gives further labels of each figure: the worker, where there may be others."""
        self.others: Callable[[], Iterable[bytes]] = tuple
        """Gives what the other workers say of themselves, as :meth:`own` does."""

    def text(self) -> bytes:
        """Return everything, in the text format: of all workers, where there are others."""
        own, others = self.own(), list(self.others())
        return generate_latest(_Joined([own, *others])) if others else own

    def own(self) -> bytes:
        """Return this worker's own figures."""
        return generate_latest(_Labelled(self._registry, self.labels()))


class _Asked(Collector):
    def __init__(self, figures: Callable[[], Iterable[Figure]]) -> None:
        self._figures = figures

    def describe(self) -> Iterable[Metric]:
        """Say nothing ahead: asking is not for when this is made."""
        return []

    def collect(self) -> Iterator[Metric]:
        """Ask now."""
        families: dict[str, GaugeMetricFamily | CounterMetricFamily] = {}
        for figure in self._figures():
            name, names = f"{PREFIX}{figure.name}", list(figure.labels)
            if name not in families:
                kind = CounterMetricFamily if figure.counter else GaugeMetricFamily
                families[name] = kind(name, figure.said, labels=names)
            families[name].add_metric(list(figure.labels.values()), figure.value)
        yield from families.values()


class _Labelled(CollectorRegistry):
    """The same figures, with labels that all of them get."""

    def __init__(self, figures: Collector, labels: Mapping[str, str]) -> None:
        super().__init__()
        self._figures, self._labels = figures, labels

    def collect(self) -> Iterator[Metric]:
        """Ask now."""
        for family in self._figures.collect():
            labelled = Metric(family.name, family.documentation, family.type)
            labelled.samples = [
                sample._replace(labels={**sample.labels, **self._labels})
                for sample in family.samples
            ]
            yield labelled


class _Joined(CollectorRegistry):
    """Texts of several workers as one: a family's figures have to stand together."""

    def __init__(self, texts: Iterable[bytes]) -> None:
        super().__init__()
        self._texts = list(texts)

    def collect(self) -> Iterator[Metric]:
        """Read the texts."""
        joined: dict[str, Metric] = {}
        for text in self._texts:
            for family in text_string_to_metric_families(text.decode()):
                there = joined.setdefault(family.name, family)
                if there is not family:
                    there.samples.extend(family.samples)
        yield from joined.values()


class RequestTimes:
    """Times every request by its route (never by its path: those hold ids, and secrets)."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self.app, self._metrics = app, metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began = time.perf_counter()

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                route = getattr(scope.get("route"), "path", "") or "(none)"
                self._metrics.request_seconds.labels(
                    scope["method"] if scope["method"] in _METHODS else "other",
                    route,
                    f"{message['status'] // 100}xx",
                ).observe(time.perf_counter() - began)
            await send(message)

        await self.app(scope, receive, sending)


_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
