"""Sensor noise by photon transfer: the linear model of EMVA 1288.

``y = offset + K · (Poisson(electrons) + Normal(0, read noise))``, rounded and clipped, so
that ``var(y) = K² · read² + K · (mean(y) - offset) + 1/12``.

Two ways to draw it.  *Fast* (the default) draws one normal number per pixel with the
variance of both terms together; above about 20 electrons it can hardly be told from the
Poisson law, below that it lacks the skew and is correct in mean and variance only.
*Exact* draws Poisson and normal numbers separately and is some six times slower.
Every frame's noise is fresh: no field is drawn once and used again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from sample_generators.errors import SampleError

Picture = npt.NDArray[np.float32]
"""Noiseless light, shape (rows, cols), as a fraction of full scale."""
Pixels = npt.NDArray[Any]
"""Code values, shape (rows, cols), uint8 up to 8 bits and uint16 above."""

QUANTISATION_DN2 = 1.0 / 12.0
BIT_DEPTHS = (8, 10, 12, 16)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """A camera's conversion from electrons to code values.

    Attributes
    ----------
    bit_depth : int
        8, 10, 12 or 16.
    gain : float
        Code values per electron (K).
    read_noise_e : float
        Standard deviation of the dark noise, electrons.
    offset_dn : float
        Code value of no light.
    shot_noise : bool
        False leaves out the photon noise.
    exact : bool
        True draws Poisson numbers, False the normal approximation.
    """

    bit_depth: int
    gain: float
    read_noise_e: float
    offset_dn: float
    shot_noise: bool = True
    exact: bool = False

    def __post_init__(self) -> None:
        if self.bit_depth not in BIT_DEPTHS:
            raise SampleError(f"bit depth {self.bit_depth}: choose one of 8, 10, 12, 16")
        if self.gain <= 0 or self.read_noise_e < 0 or not 0 <= self.offset_dn < self.full_scale:
            raise SampleError(
                "sensor: gain must be above 0, read noise at least 0, offset in range"
            )

    @classmethod
    def usual(
        cls,
        bit_depth: int,
        *,
        full_well_e: float = 10_000.0,
        read_noise_e: float = 20.0,
        exact: bool = False,
    ) -> Sensor:
        """Return a high-speed sensor whose noise is the same light at every bit depth.

        10,000 electrons and 20 electrons of read noise: common practice, no source.
        """
        full_scale = (1 << bit_depth) - 1
        offset_dn = full_scale / 64
        gain = (full_scale - offset_dn) / full_well_e
        return cls(
            bit_depth=bit_depth,
            gain=gain,
            read_noise_e=read_noise_e,
            offset_dn=offset_dn,
            exact=exact,
        )

    @classmethod
    def clean(cls, bit_depth: int) -> Sensor:
        """Return a sensor whose noise stays far below one grey level at 8 bits.

        0.2 levels of read noise and 0.15 of photon noise in a mid grey, as a mean of many
        exposures has it; most differences of two frames are exactly 0.
        """
        return cls.usual(bit_depth, full_well_e=1e6, read_noise_e=800.0)

    @classmethod
    def high_gain(cls, bit_depth: int) -> Sensor:
        """Return a sensor at its highest gain: 500 electrons are white (invented figures)."""
        return cls.usual(bit_depth, full_well_e=500.0, read_noise_e=6.0)

    @classmethod
    def silent(cls, bit_depth: int) -> Sensor:
        """Return a sensor without any noise but rounding: a perfectly static picture."""
        usual = cls.usual(bit_depth)
        return cls(
            bit_depth=bit_depth,
            gain=usual.gain,
            read_noise_e=0.0,
            offset_dn=usual.offset_dn,
            shot_noise=False,
        )

    @property
    def full_scale(self) -> int:
        """Largest code value."""
        return (1 << self.bit_depth) - 1

    @property
    def full_well_e(self) -> float:
        """Electrons that give the largest code value."""
        return (self.full_scale - self.offset_dn) / self.gain

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of the code values."""
        return np.dtype(np.uint8 if self.bit_depth <= 8 else np.uint16)

    def variance_dn2(self, picture: Picture) -> Picture:
        """Temporal variance per pixel, in code values squared, of a noiseless picture."""
        electrons = np.clip(picture, 0.0, 1.0) * np.float32(self.full_well_e * self.shot_noise)
        dark = self.read_noise_e**2
        return np.asarray(self.gain**2 * (electrons + dark) + QUANTISATION_DN2, np.float32)

    def expose(self, electrons: Picture, rng: np.random.Generator) -> Pixels:
        """Turn electrons, which it may overwrite, into code values."""
        if self.exact:
            electrons = self._exact(electrons, rng)
        elif self.shot_noise or self.read_noise_e:
            electrons = self._fast(electrons, rng)
        dn = np.multiply(electrons, np.float32(self.gain), out=electrons)
        # Adding the half here makes the truncating cast below a rounding one.
        dn += np.float32(self.offset_dn + 0.5)
        np.clip(dn, 0.0, np.float32(self.full_scale + 0.5), out=dn)
        return dn.astype(self.dtype)

    def _fast(self, electrons: Picture, rng: np.random.Generator) -> Picture:
        noise = rng.standard_normal(electrons.shape, dtype=np.float32)
        if self.shot_noise:
            sigma = np.maximum(electrons, np.float32(0))
            sigma += np.float32(self.read_noise_e**2)
            noise *= np.sqrt(sigma, out=sigma)
        else:
            noise *= np.float32(self.read_noise_e)
        electrons += noise
        return electrons

    def _exact(self, electrons: Picture, rng: np.random.Generator) -> Picture:
        light = np.maximum(electrons, 0).astype(np.float64)
        counted = rng.poisson(light) if self.shot_noise else light
        dark = rng.standard_normal(electrons.shape) * self.read_noise_e
        return np.asarray(counted + dark, np.float32)
