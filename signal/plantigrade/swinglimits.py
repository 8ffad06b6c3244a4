"""The limits that tell a golf swing from steps, waggles, bends and half-swings.

Every value is this project's own: no published values exist for events of load between the feet.
They were set with the synthetic player and checked against open recordings of walks and against a
plainer generator. What the definitions call adjustable stands in `limits.py`.
"""

RISE = 0.12
"""A rise of s so large within `RISE_S` is looked at: it may be the drive to the lead foot."""
RISE_S = 0.8
STILL_RANGE = 0.05
"""At address s stays within this over `address_s`; a quiet stand's sway moves it by about .02."""
LOADED = 0.22
"""Both feet are loaded at address: s lies between this and 1 less this."""
ADDRESS_BEFORE_S = 3.5
"""The stillness ends at most this long before the trail peak."""
LEAST_FALL = 0.05
"""s falls at least so far under its address level on the way to the trail peak."""
CLEAR_FALL, LEAN_S = 0.075, 0.6
"""A fall under the first that takes less than the second is what leaning over or lifting a foot
begins with too: the lead foot then has to be driven down with `DRIVEN_BW`."""
DEEPER = 0.10
"""s was never lower by more than this between the address and the trail peak: the trail peak is the
lowest, else a step lies between."""
LEAST_OVER = 0.09
"""The drive carries s so far over its address level: a mere return from a backswing does not. Where
s comes over it less, as in the reverse style and where unloading hides a part of it …"""
LEAST_UNDER, LEAST_LOADED = -0.04, 1.2
"""… it comes at least so near, and the lead foot's load over its own address load says that it was
driven: a return from a half-swing stays under 1.15. s has then fallen clearly:"""
LEAST_BACK = 0.10
PRESS_MOST, PRESS_OF_RANGE = 0.10, 0.33
"""A press before the start is at most so large, or this part of s's range: more is a waggle."""
TRAIL_SIDE, TO_LEAD_SIDE, FAR_BACK = 0.42, 0.56, 0.15
"""A stillness under the first may be a rest on the trail side: unless s then falls by the third, a
rise up to the second is a return to the middle."""
LEAD_SIDE, NEVER_BACK = 0.60, 0.43
"""A stillness over the first may be a rest on the lead side: unless s then falls under the second,
the drive only goes back to where it came from, by way of the middle."""
LEAST_RISE, LEAST_PACE = 0.20, 0.6
"""A drive raises s so far and so fast, 1 / s: a lively waggle does neither quite, and its lead load
stays under `LEAST_LOADED`; over that, `Limits.swing_range` alone holds."""
PROMINENCE_BW = 0.04
"""A lead peak stands out by so much, × BW …"""
PROMINENCE_OF_RISE = 0.08
"""… and by this part of the lead foot's rise."""
LEVEL_OF_RISE, LEVEL_S = 0.06, 0.2
"""A top this flat (within this part of the rise) for this long is a level, reached at its first
row."""
LOADING_S = (0.22, 3.0)
"""Start → trail peak lies between these."""
REST_AT_TRAIL_S = 0.8
"""A trail peak as wide as this is a rest, not a turn."""
LEDGE, LEDGE_S = 0.06, 1.3
"""A stillness so far under one before it, and shorter than so long, is a ledge of the backswing,
which has loaded the trail foot early and waits for the turn: the address is the one before it. A
longer one is a rest on the trail side."""
DRIVE_S = (0.05, 0.6)
"""Shift → lead peak lies between these."""
TURN_S, PRESSED_BW = 0.80, 1.0
"""Trail peak → lead peak takes less than the first, unless the lead foot then carries the second,
× BW: a body that is only shifted from foot to foot presses neither with more than its weight."""
SWAY_LEAD, SWAY_BOTH = 1.4, 1.04
"""A body that sways from foot to foot keeps its weight, where a swing presses the ground: at the
lead peak the lead foot carries under the first times its own load at address, and both feet
together under the second times theirs. Then it is a sway …"""
SWAY_S, SWAY_PACE = 0.5, 1.1
"""… if start → trail peak took less than the first, or s rises slower than the second, 1 / s."""
LEAST_TEMPO = 0.65
"""Start → trail peak takes at least this part of trail peak → lead peak. A body that goes over to
the lead foot first pushes off from it, for less: as it bends, steps or comes back from a rest."""
FORWARD, BACK = 0.05, 0.02
"""A body that bends goes forward on both feet at once: in a drive both feet's CoP come forward by
the first, in lengths, only after the trail foot's has gone back by the second, as in a turn."""
STILL_MISSING = 0.4
"""Samples missing for this part of a still window do not hide a movement that comes back."""
OFF_S = 0.10
"""A foot off the ground for so long before the lead peak is stepping."""
HIDDEN_S = 0.20
"""Missing samples alone hide a step from this on: a shorter gap beside loaded rows on both sides
is no room for one."""
LIFT_S = 0.08
"""A trail foot off the ground for so long by `AFTER_PEAK_S` after the lead peak was lifted: the
body only went over the lead foot to free it, as at a gait's first step …"""
AFTER_PEAK_S = 0.10
DRIVEN_BW, DRIVEN_FALL = 1.10, 0.12
"""… unless the lead foot was driven down with more than the body's weight, × BW, after a clear fall
of s: the trail foot of a hard swing may leave the ground."""
STEP_FALL, LEFT_S = 0.17, 0.06
"""A gait's first step by the trail foot begins with a fall of s, by less than the first. Then the
lead foot has to be driven by the second after the trail foot left, since a step pushes the body on
later; and a trail foot that leaves just after the lead peak is watched until it is seen to stay."""
SURE_FALL = 0.25
"""After a fall of s so deep, with both feet on the ground, no step is begun."""
SLIDE = 0.2
"""A lead foot that carries less than this part of its own load at address for `OFF_S` slides or is
lifted, unless it is then driven down with `DRIVEN_BW` …"""
UNLOADED_S, SET_DOWN = 0.45, 1.3
"""… or a turn took the load from it: not before the first after the start, and it is then loaded
with over the second of its load at address. A foot that is only moved is lighter sooner, or later
set down with less."""
GAIT_S, STRIDE_BW = 1.2, 1.25
"""What may be a gait's first step, its trail foot hardly on the ground, is decided so long after
the lead peak: a walker's lead foot has left the ground again by then, down to 70 steps a minute. A
first step presses the ground with less than the second, × BW."""
AGAIN_BW = 0.02
"""A lead foot that comes back to what it carried at the trough and so much, × BW, and is under
`Limits.air_bw`, was in the air both times."""
SETTLED_RANGE, SETTLED_S = 0.06, 0.5
STEPPED_S = 0.08
BACKSWING_FALL = 0.06
"""A fall of s so far under the address level is announced as a backswing (provisional)."""
BACK_S = 0.2
"""One that is at the address level again for so long is given up: a drive at `LEAST_PACE` has risen
by `RISE` by then."""
FALL_S = 1.0
LOOK_S = 5.0
KEEP_S = 12.0
