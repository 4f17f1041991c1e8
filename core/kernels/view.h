// SPDX-License-Identifier: GPL-3.0-or-later
//
// What the stages of hidden-line removal hand to one another: projected vertices, facing,
// features (project.c), the screen grid (grid.c), occluders by cell (occluders.c), pieces
// (visibility.c).

#ifndef BEAMWRIGHT_VIEW_H
#define BEAMWRIGHT_VIEW_H

#if defined(__SSE__)
#include <xmmintrin.h>
#endif

#include "workspace.h"

#define BW_SILHOUETTE 1u
#define BW_COARSE_SHIFT 4  // the coarse grid has 16 x 16 fine cells in one

// Widening of an interval so that neighbouring triangles leave no seam, and the shortest
// piece that is drawn, both in t.
#define BW_SEAM 1e-9
#define BW_SHORTEST 4e-9

// A vertex in field coordinates with its depth (larger is farther) and its clip distance.
// Nearer than the near plane of a perspective view, x and y are not divided by w.
typedef struct {
    double x, y, depth, clip;
} bw_vertex;

typedef struct {
    double ax, ay, a_depth;
    double bx, by, b_depth;
    double t0, t1;
    int32_t edge;
    int32_t a, b;  // vertices, -1 where the end was moved to the near or far plane
    uint16_t kind;
    int16_t rank;
} bw_feature;

// The part of a feature inside one grid cell.
typedef struct {
    double t0, t1;
    float box[4];   // x min, y min, x max, y max, rounded outwards
    float farthest;  // depth, rounded up, bias included
    int32_t cell;
} bw_span;

// One triangle in one cell, in the order in which it is scanned.
typedef struct {
    float box[4];   // x min, y min, -x max, -y max: two boxes meet where none is above a limit
    float nearest;  // depth, rounded down
    int32_t occluder;
} bw_entry;

// Triangle that survived the pruning.
typedef struct {
    float box[4];  // as in the entry
    float nearest;
    int32_t triangle;
    int16_t column0, column1, row0, row1;
} bw_kept;

// All that the exact test needs, counter-clockwise in the image.
typedef struct {
    double x[3], y[3], depth[3];
    double area;         // twice
    int32_t vertex[3];   // -1 for a corner made by the near plane
    int32_t triangle;
    int16_t rank;
    // Bit k: side k is shared with a neighbour that continues the surface in the image.
    uint8_t interior;
    uint8_t interior_known;
} bw_record;

typedef struct {
    const bw_entry *entries;
    const int32_t *start;  // (cells + 1)
    int32_t width, height;
} bw_cells;

typedef struct {
    const bw_visibility_input *in;
    bw_workspace *workspace;
    int perspective;
    double ortho_w;
    double depth_reach;  // orthographic: what depths are measured by, see bw_feature_reach

    const bw_vertex *vertices;
    int8_t *facing;      // 1 front, 0 edge-on, -1 back
    uint8_t *near_cut;   // 1 where the near plane cuts the triangle, 2 where it is all behind

    bw_feature *features;
    int64_t feature_count;

    double origin_x, origin_y, inverse_cell;
    int32_t width, height;
    const bw_span *spans;
    const int64_t *span_start;  // (features + 1)

    bw_kept *kept;
    int64_t kept_count;
    bw_record *records;  // (kept)
    bw_cells fine, coarse;
    int32_t fine_cells_most;
    int64_t entry_count;
} bw_view;

int bw_project(bw_view *view);
int bw_find_features(bw_view *view);
typedef struct {
    float *far_depth;     // per fine cell, -inf where empty
    float *coarse_far;    // per coarse cell
    int32_t *occupied;    // summed-area table, (height + 1) x (width + 1)
} bw_cell_tables;

int bw_lay_grid(bw_view *view, bw_cell_tables *tables);
int bw_list_occluders(bw_view *view, const bw_cell_tables *tables);

// Bias between surfaces of different ranks is at least this.
#define BW_RANKED_BIAS 1e-6

// What the relative bias is multiplied by for a feature.
static inline double bw_feature_reach(const bw_view *view, double a_depth, double b_depth) {
    double a = a_depth < 0.0 ? -a_depth : a_depth;
    double b = b_depth < 0.0 ? -b_depth : b_depth;
    return view->perspective ? (a > b ? a : b) : view->depth_reach;
}

static inline double bw_ranked_bias(const bw_view *view) {
    return view->in->bias > BW_RANKED_BIAS ? view->in->bias : BW_RANKED_BIAS;
}

typedef float bw_four __attribute__((vector_size(16)));

// 1 where each of four values is no larger than its limit.
static inline int bw_none_above(const float values[4], bw_four limits) {
    bw_four v = {values[0], values[1], values[2], values[3]};
#if defined(__SSE__)
    return _mm_movemask_ps((__m128)(v > limits)) == 0;
#else
    return ((v[0] > limits[0]) | (v[1] > limits[1]) | (v[2] > limits[2]) | (v[3] > limits[3])) == 0;
#endif
}

static inline double bw_min(double a, double b) {
    return a < b ? a : b;
}

static inline double bw_max(double a, double b) {
    return a > b ? a : b;
}

// Float no smaller / no larger than the value; never NaN for a number.
static inline float bw_round_up(double value) {
    float rounded = (float)(value > -1e37 ? value : -1e37);
    return rounded + (rounded < 0.0f ? -rounded : rounded) * 2.4e-7f + 1e-37f;
}

static inline float bw_round_down(double value) {
    return -bw_round_up(-value);
}

#endif
