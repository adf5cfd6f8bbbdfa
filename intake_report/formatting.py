"""The one place where a number becomes text; tables, sentences, figures and the JSON file all call it."""

from intake_report.units import UnitSystem, display_unit, to_display, unit_label

MINUS = "\N{MINUS SIGN}"
ABSENT = "\N{EN DASH}"
NARROW_SPACE = "\N{NO-BREAK SPACE}"


def number(value: float, decimals: int, *, signed: bool = False) -> str:
    """Format a finite number, in the unit that will be printed, with a real minus sign; "−0.0" becomes "0.0"."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        return text.lstrip("-")
    return MINUS + text[1:] if text.startswith("-") else f"+{text}" if signed else text


def unit_of(quantity: str, system: UnitSystem) -> str:
    """Return the printed unit of `quantity` ("°F"), empty for a plain number; shares differ by percentage points."""
    return "%-points" if quantity == "ratio_difference" else unit_label(display_unit(quantity, system))


def bare(value: float | None, quantity: str, system: UnitSystem, decimals: int, *, signed: bool = False) -> str:
    """Format an internal `value` in the reader's unit, without the unit; an en dash when there is none."""
    return ABSENT if value is None else number(float(to_display(value, quantity, system)), decimals, signed=signed)


def with_unit(value: float | None, quantity: str, system: UnitSystem, decimals: int, *, signed: bool = False) -> str:
    """Format an internal `value` in the reader's unit, with the unit: "3.2 K"."""
    text = bare(value, quantity, system, decimals, signed=signed)
    unit = unit_of(quantity, system)
    if value is None or not unit:
        return text
    return f"{text}{NARROW_SPACE}{unit}" if unit != "°" else f"{text}°"


def interval(
    low: float | None, high: float | None, quantity: str, system: UnitSystem, decimals: int, *, unit: bool = True
) -> str:
    """Format an interval: "−5.1 to −2.0 K"; an en dash when there is none."""
    if low is None or high is None:
        return ABSENT
    text = f"{bare(low, quantity, system, decimals)} to {bare(high, quantity, system, decimals)}"
    label = unit_of(quantity, system)
    return f"{text}{NARROW_SPACE}{label}" if unit and label else text


def margin(value: float, system: UnitSystem, *, both: bool = True) -> str:
    """Format a margin as it was declared, in the unit in which it is round, with the other: "3 °F (1.7 K)".

    Round in both, or in none, it is in the reader's unit first. Without `both` the other unit is left out.
    """
    texts, round_in = {}, {}
    for one in ("us", "si") if system == "us" else ("si", "us"):
        shown = float(to_display(value, "temperature_difference", one))
        short = round(shown, 1)
        unit = unit_of("temperature_difference", one)
        texts[one] = f"{number(short, 0 if short == int(short) else 1)}{NARROW_SPACE}{unit}"
        round_in[one] = abs(2.0 * shown - round(2.0 * shown)) < 0.01
    first, second = sorted(texts, key=lambda one: not round_in[one])
    return f"{texts[first]} ({texts[second]})" if both else texts[first]


def count(n: int, noun: str, plural: str | None = None) -> str:
    """Return "1 run", "3 runs"."""
    return f"{n} {noun if n == 1 else plural or noun + 's'}"


def listing(items: list[str] | tuple[str, ...], last: str = "and") -> str:
    """Join words the way a sentence does: "a, b and c"."""
    words = list(items)
    return "".join(words) if len(words) <= 1 else f"{', '.join(words[:-1])} {last} {words[-1]}"


_DECIMALS = {
    "temperature": 0, "temperature_difference": 1, "speed": 0, "distance": 2, "length": 0, "time": 0, "duration": 0,
    "pressure": 1, "mass_flow": 1, "engine_speed": 0, "angle": 1, "ratio": 0, "number": 2, "voltage": 1, "fuel_rate": 1,
}  # fmt: skip


def usual(value: float | None, quantity: str, system: UnitSystem, more: int = 0) -> str:
    """Return a value with its unit and the decimals that are usual for its quantity; an en dash when there is none.

    `value` [internal unit of `quantity`; a share is 0 to 1, hours are hours, a clock time is in hours]. `quantity` is a key
    of `units.QUANTITIES`, or "share", "count", "hours", "clock" (of the day), "margin" (in both unit systems), "declared
    margin" (in its own alone), "p" (of a test), "probability". `more` decimals than usual keep a value beyond its limit from
    reading like the limit.
    """
    if value is None:
        return ABSENT
    blank = NARROW_SPACE
    if quantity == "share":
        return f"{number(100.0 * value, (0 if value == 0.0 or value >= 0.1 else 1) + more)}{blank}%"
    if quantity == "count":
        return number(value, 0)
    if quantity == "hours":
        return f"{number(value, 1 + more)}{blank}h"
    if quantity == "clock":
        minutes = round(value * 60.0) % (24 * 60)
        return f"{minutes // 60:02d}:{minutes % 60:02d}"
    if quantity == "duration":
        return duration_text(value)
    if quantity in ("margin", "declared margin"):
        return margin(value, system, both=quantity == "margin")
    if quantity == "p":
        return "< 0.001" if value < 0.001 else number(value, 3)
    if quantity == "probability":
        share = f"{100.0 * value:.{2 if value < 0.1 else 3}g}"
        return f"{'> 99.9' if value > 0.999 else '< 0.1' if value < 0.001 else share}{blank}%"
    decimals = 2 if quantity == "acceleration" else _DECIMALS.get(quantity, 1)
    if quantity in ("time", "temperature_difference", "speed") and abs(value) < 10.0:
        decimals = 1
    return with_unit(value, quantity, system, decimals + more)


def duration_text(seconds: float) -> str:
    """Return "24 min 10 s", "1 h 05 min", "42 s"."""
    blank, whole = NARROW_SPACE, round(seconds)
    if whole < 60:
        return f"{whole}{blank}s"
    if whole < 3600 and whole % 60 == 0:
        return f"{whole // 60}{blank}min"
    if whole < 3600:
        return f"{whole // 60}{blank}min {whole % 60:02d}{blank}s"
    return f"{whole // 3600}{blank}h {whole % 3600 // 60:02d}{blank}min"
