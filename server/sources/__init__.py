"""Where receptions come from: each source is a transport, a greeting and a framing (see
table.py)."""

from server.sources.pacing import Backoff
from server.sources.probe import ProbeResult, probe
from server.sources.source import Source, kiss_on_words, run_source
from server.sources.spec import SourceFault, SourceSpec, SourceState
from server.sources.table import KINDS, Kind

__all__ = [
    "KINDS",
    "Backoff",
    "Kind",
    "ProbeResult",
    "Source",
    "SourceFault",
    "SourceSpec",
    "SourceState",
    "kiss_on_words",
    "probe",
    "run_source",
]
