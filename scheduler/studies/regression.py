"""Straight-line fits to readings whose errors hang together in time.

Owns the estimate, its intervals, and which readings lie far from it. Knows nothing of cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from models.horizon import Array, Integers

_SHORTEST = 0.05
"""Least memory looked at, in typical distances of readings: below, neighbours share e^-20 of an error."""

FAR = 4.0
"""Scaled residual from which a reading is called far from the fit: common practice, no source."""


@dataclass(frozen=True, eq=False)
class Fit:
    """A linear regression with errors that are forgotten exponentially in time.

    Parameters
    ----------
    names : tuple of str
        Names of the coefficients. [-]
    values : ndarray
        Estimates. Shape (p,). [as the columns]
    errors : ndarray
        Standard errors. Shape (p,). [as the columns]
    half_widths : ndarray
        Half widths of the 95 % intervals. Shape (p,). [as the columns]
    noise : float
        Standard deviation of an error. [as the response]
    memory : float
        Time after which an error has fallen to 1/e of itself; 0 if errors do not hang together. [as times]
    readings : int
        Number of readings. [-]
    effective : float
        Number of independent readings that would tell as much of a mean. [-]
    residuals : ndarray
        Response less fit, in the order of the readings. Shape (n,). [as the response]
    scaled : ndarray
        What is new in each residual, over the standard deviation that it should have. Shape (n,). [-]
    far : ndarray of int
        Positions of readings whose scaled residual is beyond `FAR`. They are part of the fit. [-]
    covariance : ndarray
        Covariance of the estimates. Shape (p, p). [products of the columns]
    """

    names: tuple[str, ...]
    values: Array
    errors: Array
    half_widths: Array
    noise: float
    memory: float
    readings: int
    effective: float
    residuals: Array
    scaled: Array
    far: Integers
    covariance: Array

    def value(self, name: str) -> float:
        """Return the estimate of one coefficient.

        Parameters
        ----------
        name : str
            Its name. [-]

        Returns
        -------
        float
            The estimate. [as the column]
        """
        return float(self.values[self.names.index(name)])

    def half_width(self, name: str) -> float:
        """Return half the width of the 95 % interval of one coefficient.

        Parameters
        ----------
        name : str
            Its name. [-]

        Returns
        -------
        float
            Half width. [as the column]
        """
        return float(self.half_widths[self.names.index(name)])

    def half_width_at(self, rows: Array) -> Array:
        """Return half the width of the 95 % interval of the mean response.

        Parameters
        ----------
        rows : ndarray
            Values of the columns. Shape (m, p). [as the columns]

        Returns
        -------
        ndarray
            Half widths, with Student's t of the coefficient that is known least well: on the wide side.
            Shape (m,). [as the response]
        """
        certain = self.errors > 0.0
        widest = float(np.max(self.half_widths[certain] / self.errors[certain], initial=0.0))
        variance: Array = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        return widest * np.sqrt(np.maximum(variance, 0.0))


def fit_line(names: tuple[str, ...], columns: Array, response: Array, times: Array | None = None) -> Fit:
    """Fit response = columns @ values + error by restricted maximum likelihood.

    Parameters
    ----------
    names : tuple of str
        Names of the columns. Length p. [-]
    columns : ndarray
        Explaining columns of full rank, a column of ones included where there is an intercept.
        Shape (n, p), n above p + 2. [any]
    response : ndarray
        What is explained. Shape (n,). [any]
    times : ndarray, optional
        When each reading was taken, rising; None for errors that do not hang together (ordinary least
        squares). Shape (n,). [any, the unit of `memory`]

    Returns
    -------
    Fit
        The fit. [-]

    Raises
    ------
    ValueError
        If there are too few readings, the columns are linearly dependent, or times do not rise.

    Notes
    -----
    The error is a stationary process with correlation exp(-|t - s| / m), so readings may have gaps. For a
    given memory m the errors are made independent by subtracting exp(-d / m) times the one before, d the
    distance in time, and least squares by QR is applied. m maximises the restricted likelihood

        -1/2 [(n - p) ln s2 + sum ln(1 - phi_i^2) + ln |X' W X|],   phi_i = exp(-d_i / m),

    which, unlike the likelihood itself, does not take the p fitted values for granted (Patterson and
    Thompson, Biometrika 1971, 58, 545; from memory). The intervals use Student's t; the degrees of freedom
    follow, for each coefficient apart, from how well its variance v is known (Satterthwaite; from memory):
    2 v^2 / Var(v), the variance of v by the delta method from the curvature of the restricted likelihood in
    ln s2 and ln m. So an intercept or a trend under a long memory gets a wider interval than a slope that
    changes fast.
    """
    n, p = columns.shape
    if n <= p + 2:
        raise ValueError(f"a fit of {p} values needs at least {p + 3} readings (got {n})")
    # Columns of very different size are compared at unit length, or the rank test would see sizes only.
    scale = np.linalg.norm(columns, axis=0)
    if not np.all(scale > 0.0) or np.linalg.matrix_rank(columns / scale, tol=1e-13) < p:
        raise ValueError(f"the readings cannot tell {', '.join(names)} apart: they move together")
    memory = 0.0 if times is None else _memory(columns, response, times)
    phi = np.zeros(n) if times is None or memory == 0.0 else _phi(times, memory)
    q, r = np.linalg.qr(_white(columns, phi))
    white = _white(response, phi)
    values = np.linalg.solve(r, q.T @ white)
    new = white - q @ (q.T @ white)
    noise = float(np.sqrt(new @ new / (n - p)))
    inverse = np.linalg.inv(r)
    errors = noise * np.sqrt(np.sum(inverse**2, axis=1))
    freedom = np.full(p, n - p, dtype=np.float64)
    if times is not None and memory > 0.0:
        freedom = _freedom(columns, response, times, memory)
    # A reading pulls the fit towards itself by its leverage, so its residual is smaller than its error.
    leverage = np.sum(q**2, axis=1)
    scaled = new / (noise * np.sqrt(np.maximum(1.0 - leverage, 1e-12))) if noise > 0.0 else np.zeros(n)
    return Fit(
        names,
        values,
        errors,
        stats.t.ppf(0.975, freedom) * errors,
        noise,
        memory,
        n,
        _effective(phi),
        response - columns @ values,
        scaled,
        np.flatnonzero(np.abs(scaled) > FAR),
        noise**2 * inverse @ inverse.T,
    )


def _phi(times: Array, memory: float) -> Array:
    """Return the share of the error before that is still there; 0 for the first reading."""
    return np.concatenate([[0.0], np.exp(-np.diff(times) / memory)])


def _white(values: Array, phi: Array) -> Array:
    before = np.concatenate([values[:1], values[:-1]])
    shape = (-1,) + (1,) * (values.ndim - 1)
    result: Array = (values - phi.reshape(shape) * before) / np.sqrt(1.0 - phi**2).reshape(shape)
    return result


def _effective(phi: Array) -> float:
    """Return the generalised least squares weight of a mean: 1' R^-1 1."""
    return float(np.sum(_white(np.ones(len(phi)), phi) ** 2))


def _parts(columns: Array, response: Array, times: Array, memory: float) -> tuple[float, float, Array]:
    """Return the squares left over, the rest of the loss and the diagonal of (X' W X)^-1."""
    phi = _phi(times, memory)
    q, r = np.linalg.qr(_white(columns, phi))
    white = _white(response, phi)
    rest = white - q @ (q.T @ white)
    loss = float(np.sum(np.log(1.0 - phi**2))) + 2.0 * float(np.sum(np.log(np.abs(np.diag(r)))))
    return float(rest @ rest), loss, np.sum(np.linalg.inv(r) ** 2, axis=1)


def _memory(columns: Array, response: Array, times: Array) -> float:
    steps = np.diff(times)
    if not np.all(steps > 0.0):
        raise ValueError("the times of readings must rise, without repetition")
    n, p = columns.shape

    def loss(log_memory: float) -> float:
        squares, rest, _ = _parts(columns, response, times, float(np.exp(log_memory)))
        return float((n - p) * np.log(max(squares, 1e-300)) + rest)

    grid = np.linspace(np.log(_SHORTEST * float(np.median(steps))), np.log(times[-1] - times[0]), 25)
    losses = [loss(x) for x in grid]
    best = int(np.argmin(losses))
    if best == 0:
        return 0.0
    around = (grid[best - 1], grid[min(best + 1, len(grid) - 1)])
    found = optimize.minimize_scalar(loss, bounds=around, method="bounded", options={"xatol": 1e-4})
    return float(np.exp(float(found.x)))


def _freedom(columns: Array, response: Array, times: Array, memory: float) -> Array:
    """Return Satterthwaite's degrees of freedom of each coefficient's variance."""
    n, p = columns.shape
    step = 0.02
    (s0, l0, _), (s1, l1, c1), (s2, l2, c2) = (
        _parts(columns, response, times, memory * float(np.exp(d))) for d in (0.0, step, -step)
    )
    spread = s0 / (n - p)
    # Curvature of the loss (n - p) ln s2 + squares / s2 + rest in ln s2 and ln m.
    mixed = -(s1 - s2) / (2.0 * step) / spread
    second = ((s1 - 2.0 * s0 + s2) / spread + l1 - 2.0 * l0 + l2) / step**2
    curvature = np.array([[float(n - p), mixed], [mixed, second]])
    if np.linalg.det(curvature) <= 0.0:
        return np.full(p, 2.0)
    spreads = 2.0 * np.linalg.inv(curvature)
    slope = np.stack([np.ones(p), (np.log(c1) - np.log(c2)) / (2.0 * step)], axis=1)
    variance = np.einsum("ij,jk,ik->i", slope, spreads, slope)
    freedom: Array = np.clip(2.0 / variance, 2.0, n - p)
    return freedom
