"""Where receptions come from: each source is a transport, a greeting and a framing (see
table.py)."""

from .probe import ProbeResult, probe
from .source import Backoff, Source, run_source
from .spec import KINDS, Kind, SourceFault, SourceSpec, SourceState

__all__ = [
    "KINDS",
    "Backoff",
    "Kind",
    "ProbeResult",
    "Source",
    "SourceFault",
    "SourceSpec",
    "SourceState",
    "probe",
    "run_source",
]
