"""Where receptions come from: each source is a transport, a greeting and a framing (see
table.py)."""

from .probe import ProbeResult, probe
from .source import Backoff, Source, kiss_on_words, run_source
from .spec import SourceFault, SourceSpec, SourceState
from .table import KINDS, Kind

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
