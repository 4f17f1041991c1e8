# SPDX-License-Identifier: GPL-3.0-or-later
"""Beamwright's core: from plain arrays of a scene to the points a scanner draws.

Data flows one way, one module a stage::

    scene.py      what the add-on hands over: surfaces, camera, assignments
    lines/        feature edges, hidden-line removal, chaining      -> Strokes
    artwork/      flat pages: shapes, stacking, lettering           -> Strokes
    points/       aim, simplify, order, place, budget               -> Frame
    safety/       the last stage; it may only darken                -> Frame
    output/ live/ report/     file, wire, figures

`pipeline` composes the stages for one frame, `sequence` for many.
Nothing in here imports Blender.
"""
