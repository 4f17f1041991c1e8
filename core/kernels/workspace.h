// SPDX-License-Identifier: GPL-3.0-or-later

#ifndef BEAMWRIGHT_WORKSPACE_H
#define BEAMWRIGHT_WORKSPACE_H

#include <stddef.h>
#include <stdint.h>

#include "beamwright_kernels.h"

typedef enum {
    BW_VERTICES,
    BW_FACING,
    BW_VERTEX_CELLS,
    BW_FEATURES,
    BW_SPANS,
    BW_SPAN_START,
    BW_CELL_FAR,
    BW_CELL_SUM,
    BW_KEPT,
    BW_SORT_KEYS,
    BW_SORT_SPARE,
    BW_RECORDS,
    BW_STAMPS,
    BW_COARSE_FAR,
    BW_FINE_START,
    BW_FINE_ENTRIES,
    BW_COARSE_START,
    BW_COARSE_ENTRIES,
    BW_INTERVALS,
    BW_PIECES,
    BW_SCRATCH_A,
    BW_SCRATCH_B,
    BW_SCRATCH_C,
    BW_SCRATCH_D,
    BW_SCRATCH_E,
    BW_SCRATCH_F,
    BW_SCRATCH_G,
    BW_SCRATCH_H,
    BW_STRETCHES,
    BW_JOIN_WHOLE,
    BW_JOIN_CHOSEN,
    BW_JOIN_XY,
    BW_JOIN_T,
    BW_JOIN_ROW,
    BW_JOIN_NODES,
    BW_JOIN_GROUP,
    BW_JOIN_WALK,
    BW_JOIN_CLOSED,
    BW_JOIN_POINTS,
    BW_JOINED,
    BW_CROSSINGS,
    BW_BUFFER_COUNT
} bw_buffer;

struct bw_workspace {
    void *memory[BW_BUFFER_COUNT];
    size_t bytes[BW_BUFFER_COUNT];
    int64_t piece_count;
    int64_t joined_count;
    int64_t crossing_count;
};

// At least count * size bytes, contents undefined; NULL when out of memory.
void *bw_reserve(bw_workspace *workspace, bw_buffer buffer, size_t count, size_t size);
// The same, keeping the contents.
void *bw_grow(bw_workspace *workspace, bw_buffer buffer, size_t count, size_t size);

#endif
