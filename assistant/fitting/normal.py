"""Normal estimates and how two of them make one."""

from assistant.errors import LengthError


def combine(
    mean: float, variance: float, other_mean: float, other_variance: float
) -> tuple[float, float]:
    """Mean and variance of two independent normal estimates of one quantity, taken together.

    The product of two Gaussians: precisions add, means are weighed by them. One step of the filter
    of a constant state. Raises LengthError unless both variances are positive.
    """
    if variance <= 0 or other_variance <= 0:
        raise LengthError(
            f"Variances of {variance:g} and {other_variance:g} cannot be combined: "
            "both must be above 0."
        )
    gain = variance / (variance + other_variance)
    return mean + gain * (other_mean - mean), (1 - gain) * variance
