"""What a request costs in time, learnt from the round trips seen.

elapsed = fixed + per_character * characters + per_frame * frames

by recursive least squares with forgetting (after L. Ljung, System Identification, 2nd ed., section
11.2, from memory) from a prior of a usual adapter, so that what the data cannot tell apart stays
sensible. The fixed part is the link's and the ECU's together.
"""

from __future__ import annotations

_FORGETTING = 1e-4
_NOISE_S = 0.002
"""Round trips scatter by about this much."""
_PRIOR_S = (0.014, 1e-4, 5e-4)
_SPREAD_S = (0.036, 1e-4, 2e-3)
_CLIP = 0.3
"""A round trip longer than expected counts at most this share more: a busy computer delays, now and
then a lot, but never hurries."""


class CostModel:
    """Predicts the duration of a request; learns from each one seen."""

    def __init__(self) -> None:
        self._theta = list(_PRIOR_S)
        self._p = [
            [(spread / _NOISE_S) ** 2 if row == column else 0.0 for column in range(3)]
            for row, spread in enumerate(_SPREAD_S)
        ]
        self.seen = 0

    def predict_s(self, characters: float, frames: int) -> float:
        """Expected duration of a request; never negative."""
        t = self._theta
        value = t[0] + t[1] * characters + t[2] * frames
        return max(value, 1e-5)

    def learn(self, elapsed_s: float, characters: float, frames: int) -> None:
        """Take in one round trip. Outliers (a wait of the operating system) are clipped."""
        x = (1.0, characters, float(frames))
        expected = self.predict_s(characters, frames)
        error = elapsed_s - sum(t * v for t, v in zip(self._theta, x, strict=True))
        if self.seen >= 8:
            error = min(error, _CLIP * expected)
        p_x = [sum(row[i] * x[i] for i in range(3)) for row in self._p]
        scale = 1.0 + sum(v * px for v, px in zip(x, p_x, strict=True))
        for i in range(3):
            self._theta[i] += p_x[i] / scale * error
        # Forgetting by leaning towards the prior's spread: what the data do not excite stays
        # bounded and the matrix positive, where division by a factor would let it grow for ever.
        for i in range(3):
            for j in range(3):
                shrunk = self._p[i][j] - p_x[i] * p_x[j] / scale
                prior = (_SPREAD_S[i] / _NOISE_S) ** 2 if i == j else 0.0
                self._p[i][j] = (1 - _FORGETTING) * shrunk + _FORGETTING * prior
        self.seen += 1
