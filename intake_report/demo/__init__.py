"""The demo's generator: simulated campaigns with known true values, for trying the package out and for its tests.

The simulator's physics is richer than what the analysis assumes, so that agreement between the two means something.
Route, vehicles, configurations and weather are invented; magnitudes follow common practice of the trade.
"""
