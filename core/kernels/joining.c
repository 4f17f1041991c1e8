// SPDX-License-Identifier: GPL-3.0-or-later
//
// Visible pieces into strokes: duplicates go, ends get their nodes, chains become polylines.
// The rules stand in numpy_joining.py; both give the same strokes.

#include <math.h>
#include <string.h>

#include "joining.h"

#define AT_END 1e-7
#define DOT 128u

static double within(double a, double b, double u) {
    double step = b - a;
    return u > 0.5 ? b - step * (1.0 - u) : a + step * u;
}

// Pieces that have a length, without what others cover.
static int64_t lay_out(bw_workspace *ws, const bw_join_input *in, double **xy_out,
                       double **t_out, int64_t **row_out) {
    size_t n = (size_t)in->count;
    double *xy = bw_reserve(ws, BW_JOIN_WHOLE, 4 * n, sizeof *xy);
    int64_t *row = bw_reserve(ws, BW_JOIN_CHOSEN, 2 * n, sizeof *row);
    if (xy == NULL || row == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    int64_t *priority = row + n;
    int64_t count = 0;
    for (int64_t i = 0; i < in->count; i++) {
        const double *p = in->xy + 4 * i;
        if ((in->kind[i] & DOT) != 0 || !(p[0] != p[2] || p[1] != p[3])) {
            continue;
        }
        memcpy(xy + 4 * count, p, 4 * sizeof *xy);
        row[count] = i;
        priority[count++] = in->priority[i];
    }
    int64_t left = bw_uncovered(ws, count, xy, priority, in->coincident);
    if (left < 0) {
        return left;
    }
    const bw_stretch *stretch = ws->memory[BW_STRETCHES];
    double *cut = bw_reserve(ws, BW_JOIN_XY, 4 * (size_t)left, sizeof *cut);
    double *t = bw_reserve(ws, BW_JOIN_T, 2 * (size_t)left, sizeof *t);
    int64_t *source = bw_reserve(ws, BW_JOIN_ROW, (size_t)left, sizeof *source);
    if (cut == NULL || t == NULL || source == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    for (int64_t i = 0; i < left; i++) {
        const double *p = xy + 4 * stretch[i].piece;
        double u0 = stretch[i].u0, u1 = stretch[i].u1;
        source[i] = row[stretch[i].piece];
        const double *whole = in->t + 2 * source[i];
        t[2 * i] = within(whole[0], whole[1], u0);
        t[2 * i + 1] = within(whole[0], whole[1], u1);
        cut[4 * i] = within(p[0], p[2], u0);
        cut[4 * i + 1] = within(p[1], p[3], u0);
        cut[4 * i + 2] = within(p[0], p[2], u1);
        cut[4 * i + 3] = within(p[1], p[3], u1);
    }
    *xy_out = cut;
    *t_out = t;
    *row_out = source;
    return left;
}

// Vertex at which an end of a piece lies, -1 where it lies elsewhere.
static int64_t node_at(const bw_join_input *in, int32_t vertex, int at_end) {
    if (!at_end) {
        return -1;
    }
    const double *p = in->positions + 3 * (int64_t)vertex;
    const double *row = in->height_row;
    double height = p[0] * row[0] + p[1] * row[1] + p[2] * row[2] + row[3];
    // The end of an edge cut by the near or far plane is no vertex.
    return height >= in->near_clip && height <= in->far_clip ? vertex : -1;
}

static void assemble(const bw_join_input *in, const double *xy, const int64_t *row,
                     const int64_t *half_edges, const int64_t *chain, const uint8_t *closed,
                     int64_t chains, double *points, bw_joined *strokes) {
    double *out = points;
    for (int64_t c = 0; c < chains; c++) {
        uint16_t kind = 0;
        int64_t smallest = INT64_MAX;
        double *first = out;
        for (int64_t i = chain[c]; i < chain[c + 1]; i++) {
            int64_t piece = half_edges[i] >> 1;
            const double *start = xy + 4 * piece + ((half_edges[i] & 1) != 0 ? 2 : 0);
            *out++ = start[0];
            *out++ = start[1];
            kind = (uint16_t)(kind | in->kind[row[piece]]);
            int64_t source = in->source[row[piece]];
            smallest = source < smallest ? source : smallest;
        }
        int64_t last = half_edges[chain[c + 1] - 1];
        const double *stop = xy + 4 * (last >> 1) + ((last & 1) != 0 ? 0 : 2);
        if (closed[c]) {
            stop = first;
        }
        out[0] = stop[0];
        out[1] = stop[1];
        out += 2;
        strokes[c] = (bw_joined){
            .smallest = smallest,
            .first = row[half_edges[chain[c]] >> 1],
            .end = (out - points) / 2,
            .kind = kind,
        };
    }
}

int64_t bw_join(bw_workspace *workspace, const bw_join_input *in, int64_t *point_count) {
    workspace->joined_count = 0;
    *point_count = 0;
    if (in->count < 0 || in->count > INT32_MAX / 8 || in->vertex_count < 0 ||
        in->vertex_count > INT32_MAX || in->edge_count < 0) {
        return BW_BAD_SIZE;
    }
    if (!isfinite(in->coincident)) {
        return BW_NOT_FINITE;
    }
    for (int64_t i = 0; i < in->count; i++) {
        int64_t edge = in->edge[i];
        if (edge < 0 || edge >= in->edge_count ||
            (uint32_t)in->edges[2 * edge] >= (uint64_t)in->vertex_count ||
            (uint32_t)in->edges[2 * edge + 1] >= (uint64_t)in->vertex_count) {
            return BW_BAD_SIZE;
        }
    }
    double *xy, *t;
    int64_t *row;
    int64_t count = lay_out(workspace, in, &xy, &t, &row);
    if (count < 0) {
        return count;
    }
    size_t n = (size_t)count;
    int64_t *nodes = bw_reserve(workspace, BW_JOIN_NODES, 2 * n, sizeof *nodes);
    int32_t *group = bw_reserve(workspace, BW_JOIN_GROUP, n, sizeof *group);
    int64_t *half_edges = bw_reserve(workspace, BW_JOIN_WALK, 2 * n + 1, sizeof *half_edges);
    uint8_t *closed = bw_reserve(workspace, BW_JOIN_CLOSED, n, 1);
    double *points = bw_reserve(workspace, BW_JOIN_POINTS, 4 * n, sizeof *points);
    bw_joined *strokes = bw_reserve(workspace, BW_JOINED, n, sizeof *strokes);
    if (nodes == NULL || group == NULL || half_edges == NULL || closed == NULL ||
        points == NULL || strokes == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    for (int64_t i = 0; i < count; i++) {
        const int32_t *ends = in->edges + 2 * (int64_t)in->edge[row[i]];
        nodes[2 * i] = node_at(in, ends[0], t[2 * i] <= AT_END);
        nodes[2 * i + 1] = node_at(in, ends[1], t[2 * i + 1] >= 1.0 - AT_END);
        group[i] = in->group[row[i]];
    }
    int64_t *chain = half_edges + n;
    int64_t chains = bw_chain(workspace, count, in->vertex_count, nodes, group, xy,
                              in->least_cosine, in->largest_degree, half_edges, chain, closed);
    if (chains < 0) {
        return chains;
    }
    assemble(in, xy, row, half_edges, chain, closed, chains, points, strokes);
    workspace->joined_count = chains;
    *point_count = count + chains;
    return chains;
}

int64_t bw_take_joined(const bw_workspace *workspace, int64_t count, int64_t point_count,
                       double *points, int64_t *offsets, int64_t *first, uint16_t *kind,
                       int64_t *smallest) {
    const bw_joined *strokes = workspace->memory[BW_JOINED];
    if (count != workspace->joined_count ||
        point_count != (count > 0 ? strokes[count - 1].end : 0)) {
        return BW_BAD_SIZE;
    }
    if (count > 0) {
        memcpy(points, workspace->memory[BW_JOIN_POINTS], 2 * (size_t)point_count * sizeof(double));
    }
    offsets[0] = 0;
    for (int64_t i = 0; i < count; i++) {
        offsets[i + 1] = strokes[i].end;
        first[i] = strokes[i].first;
        kind[i] = strokes[i].kind;
        smallest[i] = strokes[i].smallest;
    }
    return count;
}
