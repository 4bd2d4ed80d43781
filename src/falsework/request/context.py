"""``Context``: what a request is worked on with; it never changes what the request means."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from falsework.droop.belief import PRIOR, Belief
from falsework.errors import ProcessError
from falsework.request.store import Store
from falsework.watch import QUIET, Watch

AUTO_DEVICE = "auto"
DEVICES = (AUTO_DEVICE, "cpu", "gpu")


@dataclass(frozen=True, eq=False)
class Context:
    """What work has at hand.

    Attributes
    ----------
    belief : parameters of the droop model; the prior where nothing has been tuned.
    store : keeps results of steps, so that a second plan repeats only what a changed setting touches.
    watch : progress and cancel.
    cores : processor cores that may be used at most; None for all there are.
    device : what counts the columns of lies: 'cpu'; 'gpu', which prices every side besides; 'auto' (the
        faster: a graphics processor where there is one and more than the usual directions are asked for).

    Examples
    --------
    >>> import falsework
    >>> falsework.Context(cores=1).cores
    1
    """

    belief: Belief = PRIOR
    store: Store = field(default_factory=Store)
    watch: Watch = QUIET
    cores: int | None = None
    device: str = AUTO_DEVICE

    def __post_init__(self) -> None:
        for name, kind in (("belief", Belief), ("store", Store), ("watch", Watch)):
            if not isinstance(value := getattr(self, name), kind):
                cure = f"Give a {kind.__name__}, or leave it out"
                raise ProcessError(name, f"a {type(value).__name__} is none", cure)
        if self.cores is not None and not (type(self.cores) is int and self.cores >= 1):
            raise ProcessError("cores", f"{self.cores!r} is no number of cores", "Give 1 or more")
        if self.device not in DEVICES:
            raise ProcessError("device", f"{self.device!r} is unknown", f"Use {', '.join(DEVICES)}")

    def part(self, start: float, end: float) -> Context:
        """The same context for the stretch ``start``..``end`` of the watch (fractions of its own)."""
        return replace(self, watch=self.watch.part(start, end))
