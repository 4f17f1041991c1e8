// SPDX-License-Identifier: GPL-3.0-or-later

#ifndef BEAMWRIGHT_JOINING_H
#define BEAMWRIGHT_JOINING_H

#include "workspace.h"

// What is left of a piece, u from 0 to 1 along it; in BW_STRETCHES, ordered by piece.
typedef struct {
    double u0, u1;
    int64_t piece;
} bw_stretch;

// One stroke; its points end before `end`.
typedef struct {
    int64_t smallest, first, end;
    uint16_t kind;
} bw_joined;

#endif
