"""Engines of a second hand: recordings with a known truth, to be measured by sparkwitness.

Nothing here is imported from `sparkwitness.simulator` or from what measures, and nothing is
assumed that those assume: the crank follows an energy balance, sparks and pickups fail in their
own ways, and the bytes are made from protocol/wire.md with the PyPI packages' COBS and CRC-32.

`frames`   edges to the bytes that a board would send
`engine`   a crank that turns unevenly, and when it passes an angle
`pickups`  what the sensors make of it: reference edges, sparks, clamp, noise
`cases`    the rows of the accuracy table: engines, faults, and what a person types
`score`    measures a case through the public interface, and holds it against the truth
"""
