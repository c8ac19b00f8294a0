"""Agreement between readers on categories, grades and measurements."""

from imgtrack.stats.agreement import sums
from imgtrack.stats.agreement.alpha import krippendorff_alpha
from imgtrack.stats.agreement.coefficients import (
    brennan_prediger,
    cohen_kappa,
    conger_kappa,
    gwet_ac,
    percent_agreement,
)
from imgtrack.stats.agreement.fleiss import fleiss_kappa
from imgtrack.stats.agreement.pairs import confusion, prevalence_bias
from imgtrack.stats.agreement.results import (
    Agreement,
    Alpha,
    CategoryAgreement,
    CategoryKappa,
    Confusion,
    FleissKappa,
    Kappa,
    PrevalenceBias,
    SpecificAgreement,
)
from imgtrack.stats.agreement.specific import specific_agreement
from imgtrack.stats.agreement.weights import agreement_weights

__all__ = [
    "Agreement",
    "Alpha",
    "CategoryAgreement",
    "CategoryKappa",
    "Confusion",
    "FleissKappa",
    "Kappa",
    "PrevalenceBias",
    "SpecificAgreement",
    "agreement_weights",
    "brennan_prediger",
    "cohen_kappa",
    "confusion",
    "conger_kappa",
    "fleiss_kappa",
    "gwet_ac",
    "krippendorff_alpha",
    "percent_agreement",
    "prevalence_bias",
    "specific_agreement",
    "sums",
]
