"""Damaged takes: tiny whole takes of every format, and what may become of their bytes.

Everything follows from seeds, so that an input that showed a fault can be made again by its number
alone and none has to be stored.
"""

from sample_generators.damage.corpus import FORMATS, Specimen, make_corpus
from sample_generators.damage.mutation import Mutant, mutant

__all__ = ["FORMATS", "Mutant", "Specimen", "make_corpus", "mutant"]
