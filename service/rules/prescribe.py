"""The one function every endpoint calls: a set context and a policy in, a prescription out."""

from math import ceil

from service.errors import InputRefused
from service.rules.answer import BriefPrescription, Prescription, Reason
from service.rules.changes import changes
from service.rules.compiled import Policy
from service.rules.context import Caution, ReportingBias, SetContext
from service.rules.exertion import exertion_range
from service.rules.fit import adjustments, expected_of
from service.rules.inputs import Facts, facts_of
from service.rules.limits import rounded
from service.rules.notes import assumptions, caution_notes, stop_cues, withholding
from service.rules.validity import faults_of
from service.rules.weigh import Weighed, weigh


def valid_facts(context: SetContext, policy: Policy) -> Facts:
    """Return the context with every default filled in. Raises InputRefused."""
    faults = faults_of(context, policy)
    if faults:
        raise InputRefused(faults)
    return facts_of(context, policy.data)


def _withheld_reason(caution: Caution, policy: Policy) -> Reason:
    limits = policy.data.limits
    return Reason(
        factor="safety_floor",
        effect_reps=0.0,
        text=limits.withheld_text,
        grade=limits.withheld_source.grade,
        evidence=limits.withheld_source.evidence,
        input={"cautions": [caution]},
    )


def reported_reserve(weighed: Weighed, bias: ReportingBias | None, policy: Policy) -> float | None:
    """What the lifter should say [repetitions] so that the target is truly left; None without a bias.

    Target minus the mean bias (true minus reported), to the half rep, never below 0 or the safety floor.
    """
    if bias is None:
        return None
    said = rounded(policy.data.limits, weighed.reserve.target - bias.mean_reps)
    return max(0.0, said, float(ceil(weighed.safety_floor)))


def _withhold(facts: Facts, caution: Caution, policy: Policy) -> Prescription:
    return Prescription(
        decision="withhold",
        reps_in_reserve=None,
        rpe=None,
        reported_reps_in_reserve=None,
        reasons=(_withheld_reason(caution, policy),),
        expected=None,
        adjustments=(),
        stop_cues=(),
        cautions=caution_notes(facts, policy),
        assumptions=(),
        what_would_change_it=(),
        policy=policy.ref,
    )


def prescribe(context: SetContext, policy: Policy) -> Prescription:
    """Return how close to failure the set should be taken [repetitions in reserve], with every reason.

    Pure: the same input gives the same bytes. Raises InputRefused with every fault the types cannot see.
    """
    facts = valid_facts(context, policy)
    withheld = withholding(facts.cautions, policy)
    if withheld is not None:
        return _withhold(facts, withheld, policy)
    weighed = weigh(facts, policy)
    reserve = weighed.reserve
    expected = expected_of(facts, reserve, policy)
    return Prescription(
        decision="prescribe",
        reps_in_reserve=reserve,
        rpe=exertion_range(reserve),
        reported_reps_in_reserve=reported_reserve(weighed, context.reporting_bias, policy),
        reasons=weighed.reasons,
        expected=expected,
        adjustments=adjustments(facts, reserve, policy) if expected and expected.conflict else (),
        stop_cues=stop_cues(facts, reserve.target, policy),
        cautions=caution_notes(facts, policy),
        assumptions=assumptions(context, facts, policy),
        what_would_change_it=changes(facts, reserve.target, policy),
        policy=policy.ref,
    )


def prescribe_brief(context: SetContext, policy: Policy) -> BriefPrescription:
    """Return decision, target, RPE, reasons and cautions only: equal to those of `prescribe`.

    Raises InputRefused with every fault the types cannot see.
    """
    facts = valid_facts(context, policy)
    withheld = withholding(facts.cautions, policy)
    if withheld is not None:
        full = _withhold(facts, withheld, policy)
        reserve, exertion, reasons = None, None, full.reasons
    else:
        weighed = weigh(facts, policy)
        reserve, reasons = weighed.reserve, weighed.reasons
        exertion = exertion_range(reserve)
    return BriefPrescription(
        decision="prescribe" if withheld is None else "withhold",
        reps_in_reserve=reserve,
        rpe=exertion,
        reasons=reasons,
        cautions=caution_notes(facts, policy),
        policy=policy.ref,
    )
