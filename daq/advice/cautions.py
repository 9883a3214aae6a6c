"""What cautions say: what was measured, what it may mean, what to do, ending at the plug. And those that always hold.

Every caution defers to local codes and licensed practice; none is a permission.
"""

DEFERENCE = (
    "These cautions rest on what was measured here. They judge no installation and permit nothing: the local electrical"
    " code, the makers' instructions and licensed practice decide."
)
GENERAL_CAUTIONS = (
    "The program only reads meters: it makes no mains work safe and switches nothing off. Have wiring done or checked by"
    " a licensed or otherwise qualified person.",
    "Build and open no mains connection for a test, and probe no live machine: use plug-through meters, leads and break-out"
    " boxes that are approved where you are.",
    "Unroll leads and reels fully before they carry a load; coiled they overheat, and are rated much lower.",
    "Plug, socket, lead, reel, meter, breaker: the lowest rating rules.",
    "A thin or long lead that is tested on purpose is a heat source: keep the run short, keep it off carpet and dust, and"
    " switch off at the plug when plug or lead is too hot to hold.",
    "Earth must go through every adaptor; never defeat it. Use an outlet with residual-current protection, and test that; it"
    " protects neither against overload nor between line and neutral.",
    "A meter, its probes and its fuses must have the category of where they are used (CAT II behind a socket, CAT III in fixed"
    " wiring; IEC 61010-2-030) and the voltage.",
    "A computer's serial port may tie the meter's circuit to earth: use interfaces that their maker states to be isolated.",
    "Never leave a running machine alone. Loss of readings is no reason for it to run on: switch off at the plug by hand.",
    "Brushes spark: keep flammable dust and vapour away from a motor that has some. A blocked inlet takes away its cooling;"
    " keep to its duty cycle.",
    "Keep clear of rotating parts, protect your ears above about 85 dB(A), and mind static on plastic hoses.",
    "Results hold for that lead, filter or hose on that day; none is an approval.",
)
"""For every bench; the cautions from measured figures come besides."""

_OFF = "Switch off at the plug"
_IF_HOT = "If plug, lead or motor becomes too hot to hold, switch off at the plug."


def over_lead_rating(drawn: str, rating: str, *, is_sure: bool) -> str:
    """The machine's current and what its lead is rated for."""
    if is_sure:
        return (
            f"{drawn} through a lead that is rated for {rating}. A lead that carries more than its rating overheats."
            f" {_OFF} and fit a lead that is rated at least for the machine's own current."
        )
    return (
        f"{drawn} through a lead that is rated for {rating}; within the uncertainty that may be more than its rating. A"
        f" lead of a higher rating settles it. {_IF_HOT}"
    )


def over_reference(drawn: str, reference: str, *, is_sure: bool) -> str:
    """The machine's current and a reference figure for its lead's size."""
    how = "more than" if is_sure else "which may be more than"
    return (
        f"{drawn}, {how} {reference}. Read the lead's own marking: that and the local code decide, also where the"
        f" reference figure is kept. {_IF_HOT}"
    )


def below_own_current(lead_rating: str, rated_current: str) -> str:
    """A lead that is rated for less than the machine's nameplate has."""
    return (
        f"is rated for {lead_rating}, the machine for {rated_current} by its nameplate. A lead should be rated at"
        f" least for the tool's own current: fit one that is. {_IF_HOT}"
    )


def over_plug_rating(drawn: str, rating: str, *, is_sure: bool) -> str:
    """The machine's current and what plug and socket are rated for."""
    how = "more than" if is_sure else "which may be more than"
    do = (
        f"{_OFF}; the machine needs a plug and an outlet of a higher rating, fitted by a licensed person."
        if is_sure
        else f"Ask a licensed person whether the outlet will do. {_IF_HOT}"
    )
    return f"{drawn}, {how} the {rating} of plug and socket. Contacts over their rating burn. {do}"


def over_circuit_rating(drawn: str, rating: str, *, is_sure: bool) -> str:
    """The machine's current and the circuit's breaker or fuse."""
    how = "more than" if is_sure else "which may be more than"
    do = (
        f"{_OFF}; the machine needs a circuit of a higher rating, installed by a licensed person. Never fit a larger fuse."
        if is_sure
        else f"Nothing else may hang on it; ask a licensed person for a larger circuit. {_IF_HOT}"
    )
    return f"{drawn}, {how} the {rating} of the circuit. A breaker trips late on a small overload. {do}"


def over_circuit_share(drawn: str, share: str, rating: str, *, is_sure: bool) -> str:
    """The machine's current and the practice of loading a circuit to at most 80 %."""
    how = "more than" if is_sure else "which may be more than"
    return (
        f"{drawn}, {how} the {share} that one plug-in load should take from a circuit of {rating} (80 %). Use a circuit"
        f" with a higher rating, and ask a licensed person which; hang nothing else on this one. {_IF_HOT}"
    )


def over_drop(taken: str, recommended: str, *, is_sure: bool) -> str:
    """The drop in a lead and the recommendation."""
    how = "more than" if is_sure else "which may be more than"
    return (
        f"{taken}, {how} the recommended {recommended}, and the building's wiring counts in that too. A shorter or thicker"
        f" lead brings the machine more volts. {_IF_HOT}"
    )


def under_voltage(had: str, least: str, *, is_sure: bool) -> str:
    """The voltage at a motor and the least that it should have."""
    how = "less than" if is_sure else "which may be less than"
    return (
        f"{had} at the machine, {how} {least}. A motor short of volts can overheat or fail to start. Use a shorter or"
        f" thicker lead or a better outlet. {_OFF} if it hums, slows or gets hot."
    )


def beyond_plan(had: str, limit: str, *, is_sure: bool) -> str:
    """Any channel and the limit that the plan sets for it."""
    how = "beyond" if is_sure else "which may be beyond"
    return f"{had}, {how} the plan's limit of {limit}. {_OFF} and find the cause before the next trial."


def coiled(heat: str) -> str:
    """A lead that lies coiled or on a reel."""
    turned = f" and turns {heat} in each metre into heat" if heat else ""
    return (
        f"lies coiled or on a reel{turned}. Coiled it cannot get rid of its heat, and its rating is much lower."
        f" {_OFF} and unroll it fully before it carries a load again."
    )


def warm_lead(heats: str) -> str:
    """Leads that are unrolled and turn much into heat."""
    return (
        f"Leads turn much into heat in each metre ({heats}). Keep them unrolled, uncovered and off carpet and dust, and the"
        f" run short. {_IF_HOT}"
    )
