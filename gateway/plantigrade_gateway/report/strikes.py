"""A swing's strike in sentences, and a session's in the report."""

from rich.console import Console

from plantigrade_gateway.analysis.result import Analysis, SwingStrike
from plantigrade_gateway.report.console import heading, item, paragraph

HEARD = "heard"

NOTE = (
    "A strike is told by a microphone, a mark or another instrument: pressure does not show it. "
    "± is half of a 95 % interval."
)

_HOW = {"microphone": "heard", "mark": "marked", "import": "imported"}


def strike_lines(strike: SwingStrike) -> list[str]:
    """Return when a strike was, and the swing's moments against it; or why it is not known."""
    if strike.t_s is None or strike.error_s is None:
        state = "not heard" if strike.state == "not_heard" else strike.state
        return [f"{state}: {strike.reason}"]
    lines = [f"{_HOW[strike.source]} at {strike.t_s:.2f} s, {_within(strike.error_s)}"]
    for name, moment_s in (
        ("shift", strike.shift_s),
        ("fore take", strike.fore_take_s),
        ("lead peak", strike.lead_peak_s),
    ):
        if moment_s is not None and strike.moment_error_s is not None:
            side = "before" if moment_s < 0.0 else "after"
            lines.append(
                f"{name} {abs(moment_s):.2f} s {side} it, {_within(strike.moment_error_s)}"
            )
    share, low, high = strike.lead_share, strike.lead_share_low, strike.lead_share_high
    if share is not None and low is not None and high is not None:
        lines.append(f"lead share at it {share:.0%} ({low:.0%} to {high:.0%})")
    return lines


def _within(error_s: float) -> str:
    return f"± {1000.0 * error_s:.0f} ms"


def show_strikes(analysis: Analysis, out: Console) -> None:
    """Print each swing's strike; nothing where none was looked for."""
    if not analysis.strikes:
        return
    heard = sum(strike.state == HEARD for strike in analysis.strikes)
    heading(out, "Strikes", f"{heard} of {len(analysis.strikes)} swings")
    for number, strike in enumerate(analysis.strikes, 1):
        item(out, f"swing {number}", "; ".join(strike_lines(strike)))
    paragraph(out, NOTE)
