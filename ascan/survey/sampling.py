"""What a sample of places allows to be said of the ground that it was drawn from."""

from __future__ import annotations

from ascan.base.errors import fault
from ascan.results.shown import length

CONFIDENCE = 0.95


def share_at_most(seen: int, below: int, confidence: float = CONFIDENCE) -> float:
    """Return the largest share of the ground that may lie below a limit, at a confidence.

    Parameters
    ----------
    seen, below : int
        Places that were read, and those of them below the limit.
    confidence : float

    Returns
    -------
    share : float
        One-sided upper bound; 1 where all are below.

    Raises
    ------
    AscanError
        Nothing was seen, or more below than seen.

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934) 404: exact limits of a binomial share (from memory).
    It holds for places drawn at random and apart from one another.

    Examples
    --------
    >>> round(share_at_most(59, 0), 3), round(share_at_most(30, 1), 3)
    (0.05, 0.149)
    """
    from scipy.stats import beta

    if not 0 <= below <= seen or seen == 0:
        raise fault(
            "sample", f"has {below} of {seen} places below", allowed="0 to all of 1 or more"
        )
    return 1.0 if below == seen else float(beta.ppf(confidence, below + 1, seen - below))


def sampling_told(seen: int, unread: int, below: int, limit_mm: float) -> str:
    """Return in words what places say of those like them that were not looked at.

    Parameters
    ----------
    seen, unread, below : int
        Places with a thickness, those without one, and those of the first below the limit.
    limit_mm : float
    """
    if seen == 0:
        return "nothing was read: nothing can be said of the component"
    share, all_of = share_at_most(seen, below), ""
    if unread:
        worst = share_at_most(seen + unread, below + unread)
        all_of = f" (if the {unread} that were not read are below it, too: {100.0 * worst:.0f} %)"
    return (
        f"SAMPLING: {below} of {seen} places read are below {length(limit_mm)}; of all places "
        f"like these, at {100.0 * CONFIDENCE:.0f} % confidence at most {100.0 * share:.1f} % "
        f"are{all_of}. That holds if the places were drawn at random; of places chosen "
        "otherwise, and of ground of another kind, it says nothing"
    )
