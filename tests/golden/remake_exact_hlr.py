# SPDX-License-Identifier: GPL-3.0-or-later
"""Remake exact_hlr.json: visible line lengths by OpenCASCADE's exact hidden-line removal.

In an environment of its own (the library is large, and needed for nothing else)::

    pip install cadquery-ocp
    python tests/golden/remake_exact_hlr.py

Lengths are in world units on the image plane through the origin. Curved bodies are seen
orthographically only: the library's perspective outlines of curved surfaces are not exact
(a unit sphere at distance 7.972 gives 6.2774 instead of 2 pi D tan(asin(1 / D)) = 6.3332).
"""

import json
from pathlib import Path

from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepLib import BRepLib
from OCP.BRepPrimAPI import (
    BRepPrimAPI_MakeBox,
    BRepPrimAPI_MakeCylinder,
    BRepPrimAPI_MakeSphere,
    BRepPrimAPI_MakeTorus,
    BRepPrimAPI_MakeWedge,
)
from OCP.GCPnts import GCPnts_AbscissaPoint
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.HLRAlgo import HLRAlgo_Projector
from OCP.HLRBRep import HLRBRep_Algo, HLRBRep_HLRToShape
from OCP.TopAbs import TopAbs_EDGE
from OCP.TopExp import TopExp_Explorer
from OCP.TopoDS import TopoDS

VIEWS = [[6.0, 4.0, 3.4], [7.0, -2.0, 1.5], [-3.0, 6.5, 4.5], [2.5, 5.5, -5.5]]


def box(low, size):
    return BRepPrimAPI_MakeBox(gp_Pnt(*low), *size).Shape()


def axis(origin):
    return gp_Ax2(gp_Pnt(*origin), gp_Dir(0, 0, 1))


UNIT = ([-0.5, -0.5, -0.5], [1.0, 1.0, 1.0])
SECOND = ([0.9, -0.2, -0.4], [0.6, 0.8, 0.5])
NOTCH = ([0.1, 0.1, 0.1], [0.5, 0.5, 0.5])


def shapes():
    cylinder = BRepPrimAPI_MakeCylinder(axis((0, 0, -1.1)), 0.3, 2.2).Shape()
    return {
        "cube": [box(*UNIT)],
        "two boxes": [box(*UNIT), box(*SECOND)],
        "notched cube": [BRepAlgoAPI_Cut(box(*UNIT), box(*NOTCH)).Shape()],
        "wedge and box": [
            BRepPrimAPI_MakeWedge(1.2, 0.8, 1.0, 0.4).Shape(),
            box((-1, -1, -1), (0.7, 0.7, 1.4)),
        ],
        "cylinder": [cylinder],
        "box through cylinder": [BRepAlgoAPI_Fuse(box(*UNIT), cylinder).Shape()],
        "sphere": [BRepPrimAPI_MakeSphere(1.0).Shape()],
        "torus": [BRepPrimAPI_MakeTorus(1.0, 0.35).Shape()],
    }  # fmt: skip


CURVED = {"cylinder", "box through cylinder", "sphere", "torus"}


def visible_length(parts, eye, perspective):
    distance = sum(value * value for value in eye) ** 0.5
    plane = gp_Ax2(gp_Pnt(0, 0, 0), gp_Dir(*eye))
    projector = HLRAlgo_Projector(plane, distance) if perspective else HLRAlgo_Projector(plane)
    algorithm = HLRBRep_Algo()
    for part in parts:
        algorithm.Add(part)
    algorithm.Projector(projector)
    algorithm.Update()
    algorithm.Hide()
    to_shape = HLRBRep_HLRToShape(algorithm)
    total = 0.0
    for compound in (to_shape.VCompound(), to_shape.OutLineVCompound()):
        if compound is None or compound.IsNull():
            continue
        BRepLib.BuildCurves3d_s(compound)
        explorer = TopExp_Explorer(compound, TopAbs_EDGE)
        while explorer.More():
            edge = explorer.Current()
            edge = TopoDS.Edge_s(edge) if hasattr(TopoDS, "Edge_s") else TopoDS.Edge(edge)
            total += GCPnts_AbscissaPoint.Length_s(BRepAdaptor_Curve(edge))
            explorer.Next()
    return total


def main():
    rows = []
    for name, parts in shapes().items():
        for eye in VIEWS:
            for perspective in (False, True):
                if perspective and name in CURVED:
                    continue
                length = visible_length(parts, eye, perspective)
                rows.append(
                    {
                        "shape": name,
                        "eye": eye,
                        "perspective": perspective,
                        "length": round(length, 7),
                    }
                )
    lines = ",\n".join("  " + json.dumps(row) for row in rows)
    Path(__file__).with_name("exact_hlr.json").write_text(f"[\n{lines}\n]\n")


if __name__ == "__main__":
    main()
