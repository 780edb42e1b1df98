"""What to check next, finding by finding. Each step is one for trained people, with the pack made safe first.

All of it is common practice, no source; the maker's procedure rules.
"""

from __future__ import annotations

from typing import Final

ADVICE: Final[dict[str, str]] = {
    "module-spread": "Read the lowest and the highest cell with a meter at rest; if the meter agrees, balance or renew "
    "the module, if not, look at its sense wires",
    "pack-spread": "See which modules lead and lag at rest; charge or balance them to one level before judging again",
    "cell-imbalance": "Read this cell with a meter at rest; balance it by the maker's procedure, and see whether it "
    "stays there for a day",
    "cell-resistance": "Repeat under a known load; look at the joints beside the cell for heat marks and loose nuts "
    "before condemning the cell",
    "cell-self-discharge": "Leave the pack at rest for a day and read this cell against its neighbours again",
    "tap-suspect": "Look at the sense wire and its contact between the two cells; a meter on the cell's own terminals "
    "tells",
    "sum-mismatch": "Measure the pack's voltage at its terminals; see whether all cells are in the map, at one scale",
    "map-suspect": "Compare one cell of the module with a meter; then correct the scale or the places in the map",
    "channel-low": "Read the same thing with a meter; a value out of range may be the sensor's",
    "channel-high": "Read the same thing with a meter; a value out of range may be the sensor's",
    "channel-absent": "Look at the sensor, its wire and its connector",
    "channel-stale": "Look at the recording and the bus wiring first: the frame may be lost, not the sensor",
    "channel-stuck": "Warm or cool the place a little, and see whether the value follows",
    "temperature-rail": "Measure the sensor's resistance with its connector unplugged: open or shorted wire, or sensor",
    "temperature-spread": "See whether coolant reaches the place, and whether the sensor sits where it belongs",
    "temperature-rise": "Stop charging and discharging, keep away, watch the temperature from a distance",
    "runaway-precursor": "Keep people away and ventilate; follow the maker's rescue sheet and call the fire service",
    "pressure-rise": "Do not charge; keep away from the vents, and have the module looked at by the maker",
    "contactor-welded": "Treat both sides as live. Measure for absence of voltage by the maker's procedure",
    "contactor-open": "Listen for the contactor and measure its coil supply; look at the fuse and the service plug",
    "contactor-held": "Pull the service plug, wait as the maker says, and measure for absence of voltage",
    "precharge-fault": "Look at the precharge resistor and its contactor before the main contactors burn",
    "interlock-open": "Find the open plug or cover of the interlock loop; it opens for a reason",
    "insulation-low": "Do not touch the pack. Have the insulation measured by a licensed person with the right tester",
    "supply-low": "Measure the 12 V at the controller's plug under load; charge or renew its battery",
    "supply-high": "Measure the 12 V at the controller's plug; look at the converter or charger that feeds it",
    "keep-alive-weak": "Renew or charge the battery inside the pack that keeps the controller alive",
    "charge-mismatch": "Let the pack rest for some hours and read the cells again; then have the controller learn anew",
    "capacity-low": "Have the capacity measured with a full charge and discharge by the maker's procedure",
    "frames-lost": "Look at the recording, the termination (60 ohm between the lines) and the wiring before the pack",
    "check-failed": "Look at the wiring and the recorder first: frames whose check fails were damaged on the bus",
    "user-flag": "",
}
