"""Hypothesis strategies for whole plans, as documents: members left out or sent, times and offsets at will."""

from hypothesis import strategies as st

from tests.rules.contexts import CAUTIONS, EXPERIENCES, GOALS, Document
from tests.rules.whole_plans import EAGER, LIFTS, instant, session, sets_of

GAPS = (5.0, 24.0, 36.0, 47.5, 48.0, 72.0, 168.0, 400.0)
OFFSETS = (-12.0, -5.0, 0.0, 1.0, 2.0, 5.5, 14.0)


@st.composite
def sets_at_will(draw: st.DrawFn, *, proposals: bool = True) -> Document:
    """One set, with load, rest and proposal left out or sent."""
    one: Document = {"rep_target": draw(st.sampled_from((1, 5, 8, 10, 12, 15, 20, 50)))}
    for name, values in {
        "load_percent_1rm": st.sampled_from((30.0, 62.0, 70.0, 80.0, 95.0, 100.0)),
        "rest_seconds": st.sampled_from((0.0, 60.0, 120.0, 300.0)),
        "reps_in_reserve": st.sampled_from((0.0, 0.4, 0.5, 1.0, 3.0, 6.0, 10.0)),
    }.items():
        if draw(st.booleans()) and (proposals or name != "reps_in_reserve"):
            one[name] = draw(values)
    return one


@st.composite
def exercises_at_will(draw: st.DrawFn, lifts: tuple[str, ...] = LIFTS, *, proposals: bool = True) -> Document:
    """One exercise with up to four sets, alike or each at will."""
    each = sets_at_will(proposals=proposals)
    alike = draw(st.booleans())
    count = draw(st.integers(1, 4))
    sets = [draw(each)] * count if alike else [draw(each) for _ in range(count)]
    return {"exercise": draw(st.sampled_from(lifts)), "sets": sets}


@st.composite
def lifters_at_will(draw: st.DrawFn) -> Document:
    """What a plan may tell of its lifter; never that the target is withheld."""
    return draw(
        st.fixed_dictionaries(
            {},
            optional={
                "experience": st.sampled_from(EXPERIENCES),
                "goal": st.sampled_from((*GOALS, "hypertrophy", "hypertrophy")),
                "cautions": st.lists(st.sampled_from(CAUTIONS), unique=True, max_size=1),
                "exposures": st.dictionaries(
                    st.sampled_from(LIFTS), st.sampled_from((0, 0.5, 1, 3, 4, 20)), max_size=6
                ),
                "spotter": st.booleans(),
                "safety_arms": st.booleans(),
            },
        )
    )


@st.composite
def progressions_at_will(draw: st.DrawFn) -> Document:
    """A block's shifts and deload weeks."""
    shifts = st.sampled_from((-3.0, -1.5, -0.3, 0.0, 1.0, 3.0))
    return {
        "weeks": draw(st.integers(1, 5)),
        "start_shift_reps": draw(shifts),
        "end_shift_reps": draw(shifts),
        "deload_weeks": draw(st.lists(st.integers(1, 5), unique=True, max_size=2)),
    }


limits_at_will = st.fixed_dictionaries(
    {},
    optional={
        "failure_share_per_muscle_7d": st.sampled_from((0.0, 0.25, 1 / 3, 0.5, 0.7, 1.0)),
        "failure_sets_per_session": st.integers(0, 4),
    },
)


@st.composite
def documents(
    draw: st.DrawFn,
    *,
    limits: bool = True,
    progression: bool = True,
    proposals: bool = True,
    lifts: tuple[str, ...] = LIFTS,
    most_sessions: int = 4,
) -> Document:
    """A plan of up to four sessions over days or weeks, members left out or sent."""
    hours, offset = 0.0, draw(st.sampled_from(OFFSETS))
    sessions = []
    each = exercises_at_will(lifts, proposals=proposals)
    for _ in range(draw(st.integers(1, most_sessions))):
        day: Document = {
            "starts_at": instant(hours, offset),
            "exercises": draw(st.lists(each, min_size=1, max_size=4)),
        }
        if draw(st.booleans()):
            day["deload"] = draw(st.sampled_from((None, False, True)))
        sessions.append(day)
        hours += draw(st.sampled_from(GAPS))
        offset = draw(st.sampled_from((offset, *OFFSETS)))
    document: Document = {"sessions": sessions}
    if draw(st.booleans()):
        document["lifter"] = draw(lifters_at_will())
    if progression and draw(st.booleans()):
        document["progression"] = draw(progressions_at_will())
    if limits and draw(st.booleans()):
        document["limits"] = draw(limits_at_will)
    return document


# Lifts that go to failure by themselves, so that limits have something to do.
CLOSE_LIFTS = (
    "cable_chest_fly",
    "machine_chest_press",
    "cable_triceps_pushdown",
    "leg_extension",
    "leg_press",
)


@st.composite
def eager_documents(
    draw: st.DrawFn, *, most_sessions: int = 3, gaps: tuple[float, ...] = (24.0, 48.0, 60.0, 72.0)
) -> Document:
    """A plan of which many sets come to failure without limits."""
    hours, sessions = 0.0, []
    for _ in range(draw(st.integers(1, most_sessions))):
        exercises = [
            sets_of(
                draw(st.sampled_from(CLOSE_LIFTS)),
                draw(st.integers(1, 3)),
                rep_target=draw(st.sampled_from((8, 12, 15, 20))),
                load_percent_1rm=draw(st.sampled_from((50, 62, 72))),
                rest_seconds=draw(st.sampled_from((60, 120))),
            )
            for _ in range(draw(st.integers(1, 4)))
        ]
        sessions.append(session(*exercises, hours=hours))
        hours += draw(st.sampled_from(gaps))
    return {"lifter": EAGER, "sessions": sessions, "limits": draw(limits_at_will)}
