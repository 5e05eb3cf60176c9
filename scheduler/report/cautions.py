"""The cautions that every output carries.

Owns their wording, long and short, and the sentence on what the models are good for.
"""

from __future__ import annotations

CAUTIONS = (
    "This plan is advice only. Interlocks, permits, operating procedures, local codes and licensed practice "
    "come first, always.",
    "A load plan does not watch hydrogen in chlorine, differential pressure, cell voltage or brine flow. "
    "Check them before and during every change of load.",
    "Stored chlorine, loaded wagons included, must stay under the permit, and the absorption must at every "
    "hour have capacity for a full trip.",
    "Every stop and restart is counted and needs the polarisation protection and its own procedure; the plan "
    "replaces neither.",
    "Mercury rooms have a legal end date in most jurisdictions: know yours. Mercury vapour and hydrogen in "
    "the decomposers need their own watch.",
    "Default values of cells, rectifiers and auxiliaries are from memory, not from this plant: replace them "
    "by plant measurements before money or load rests on them.",
)
"""What stands on every output a person could act on."""

SHORT_CAUTION = (
    "Advice only: interlocks, permits, operating procedures, local codes and licensed practice come first. "
    "The plan does not watch H2 in Cl2, cell voltage or brine flow; keep stored chlorine under the permit "
    "and absorption free for a full trip. Count stops; mind polarisation protection. Mercury rooms have a "
    "legal end date. Replace default values by plant measurements."
)
"""The same in one paragraph, for the terminal and the chart."""

STUDY_CAUTION = (
    "This is advice on figures only. Interlocks, permits, operating procedures, local codes and licensed "
    "practice come first, always. Readings here are means for planning: they do not watch single cells, "
    "hydrogen in chlorine, differential pressure or brine flow."
)
"""What stands on every study of readings."""

MODEL_ACCURACY = (
    "The voltage model is good to 1-2 %: the gap is a statement about the optimiser, not about the plant."
)
"""What the certificate does not say."""
