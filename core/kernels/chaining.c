// SPDX-License-Identifier: GPL-3.0-or-later
//
// Pieces into polylines by straightest pairing. The rules stand in numpy_chaining.py; both
// give the same bits.

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "workspace.h"

typedef struct {
    double cosine;
    int64_t a, b;
} candidate;

static int straighter(const void *left, const void *right) {
    const candidate *p = left, *q = right;
    if (p->cosine != q->cosine) {
        return p->cosine > q->cosine ? -1 : 1;
    }
    if (p->a != q->a) {
        return p->a < q->a ? -1 : 1;
    }
    return (p->b > q->b) - (p->b < q->b);
}

// Join the half-edges of one node and group, straightest pairs first.
static int join_crowd(bw_workspace *ws, const int64_t *half, size_t degree, const double *xy,
                      double least_cosine, int64_t *mate) {
    candidate *pairs = bw_reserve(ws, BW_SCRATCH_E, degree * (degree - 1) / 2, sizeof *pairs);
    double *direction = bw_reserve(ws, BW_SCRATCH_F, 2 * degree, sizeof *direction);
    if (pairs == NULL || direction == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    for (size_t i = 0; i < degree; i++) {
        const double *p = xy + 4 * (half[i] >> 1);
        double dx = p[2] - p[0], dy = p[3] - p[1];
        double length = sqrt(dx * dx + dy * dy);
        length = length > 0.0 ? length : 1.0;
        direction[2 * i] = dx / length;
        direction[2 * i + 1] = dy / length;
    }
    size_t count = 0;
    for (size_t i = 0; i < degree; i++) {
        for (size_t k = i + 1; k < degree; k++) {
            double sign = ((half[i] ^ half[k]) & 1) != 0 ? 1.0 : -1.0;
            double cosine = sign * (direction[2 * i] * direction[2 * k] +
                                    direction[2 * i + 1] * direction[2 * k + 1]);
            if (cosine >= least_cosine) {
                pairs[count++] = (candidate){cosine, half[i], half[k]};
            }
        }
    }
    qsort(pairs, count, sizeof *pairs, straighter);
    for (size_t i = 0; i < count; i++) {
        int64_t a = pairs[i].a, b = pairs[i].b;
        if (mate[a] < 0 && mate[b] < 0) {
            mate[a] = b;
            mate[b] = a;
        }
    }
    return 0;
}

typedef struct {
    int32_t group;
    int64_t half;
} grouped;

static int by_group(const void *left, const void *right) {
    const grouped *p = left, *q = right;
    if (p->group != q->group) {
        return p->group < q->group ? -1 : 1;
    }
    return (p->half > q->half) - (p->half < q->half);
}

// Half-edges of one node, in rising order: split them by group, then join.
static int join_node(bw_workspace *ws, int64_t *half, size_t degree, const int32_t *group,
                     const double *xy, double least_cosine, size_t largest, int64_t *mate) {
    int mixed = 0;
    for (size_t i = 1; i < degree; i++) {
        mixed |= group[half[i] >> 1] != group[half[0] >> 1];
    }
    if (mixed) {
        grouped *sorted = bw_reserve(ws, BW_SCRATCH_D, degree, sizeof *sorted);
        if (sorted == NULL) {
            return BW_OUT_OF_MEMORY;
        }
        for (size_t i = 0; i < degree; i++) {
            sorted[i] = (grouped){group[half[i] >> 1], half[i]};
        }
        qsort(sorted, degree, sizeof *sorted, by_group);
        for (size_t i = 0; i < degree; i++) {
            half[i] = sorted[i].half;
        }
    }
    for (size_t begin = 0; begin < degree;) {
        size_t end = begin + 1;
        while (end < degree && group[half[end] >> 1] == group[half[begin] >> 1]) {
            end++;
        }
        if (end - begin == 2) {
            mate[half[begin]] = half[begin + 1];
            mate[half[begin + 1]] = half[begin];
        } else if (end - begin > 2 && end - begin <= largest) {
            int status = join_crowd(ws, half + begin, end - begin, xy, least_cosine, mate);
            if (status < 0) {
                return status;
            }
        }
        begin = end;
    }
    return 0;
}

int64_t bw_chain(bw_workspace *workspace, int64_t count, int64_t node_count,
                 const int64_t *nodes, const int32_t *group, const double *xy,
                 double least_cosine, int32_t largest_degree, int64_t *half_edges,
                 int64_t *offsets, uint8_t *closed) {
    if (count < 0 || count > INT32_MAX / 4 || node_count < 0 || node_count > INT32_MAX ||
        largest_degree < 2) {
        return BW_BAD_SIZE;
    }
    offsets[0] = 0;
    if (count == 0) {
        return 0;
    }
    size_t halves = 2 * (size_t)count;
    int64_t *mate = bw_reserve(workspace, BW_SCRATCH_A, halves, sizeof *mate);
    int32_t *start = bw_reserve(workspace, BW_SCRATCH_B, (size_t)node_count + 2, sizeof *start);
    int64_t *at_node = bw_reserve(workspace, BW_SCRATCH_C, halves, sizeof *at_node);
    uint8_t *walked = bw_reserve(workspace, BW_SCRATCH_G, (size_t)count, 1);
    if (mate == NULL || start == NULL || at_node == NULL || walked == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    memset(start, 0, ((size_t)node_count + 2) * sizeof *start);
    memset(walked, 0, (size_t)count);
    for (size_t h = 0; h < halves; h++) {
        mate[h] = -1;
        if (nodes[h] >= node_count) {
            return BW_BAD_SIZE;
        }
        if (nodes[h] >= 0) {
            start[nodes[h] + 2]++;
        }
    }
    for (int64_t i = 2; i < node_count + 2; i++) {
        start[i] += start[i - 1];
    }
    for (size_t h = 0; h < halves; h++) {
        if (nodes[h] >= 0) {
            at_node[start[nodes[h] + 1]++] = (int64_t)h;
        }
    }
    for (int64_t i = 0; i < node_count; i++) {
        int32_t degree = start[i + 1] - start[i];
        if (degree < 2) {
            continue;
        }
        int status = join_node(workspace, at_node + start[i], (size_t)degree, group, xy,
                               least_cosine, (size_t)largest_degree, mate);
        if (status < 0) {
            return status;
        }
    }

    // From the smallest piece on: walk back to the chain's end or once round, then forwards.
    int64_t chains = 0, written = 0;
    for (int64_t piece = 0; piece < count; piece++) {
        if (walked[piece]) {
            continue;
        }
        int64_t first = 2 * piece;
        int is_closed = 0;
        while (mate[first] >= 0) {
            first = mate[first] ^ 1;
            if (first == 2 * piece) {
                is_closed = 1;
                break;
            }
        }
        if (!is_closed) {
            int64_t last = 2 * piece + 1;
            while (mate[last] >= 0) {
                last = mate[last] ^ 1;
            }
            // Both half-edges leave their free ends inwards.
            first = last < first ? last : first;
        }
        int64_t h = first;
        do {
            half_edges[written++] = h;
            walked[h >> 1] = 1;
            h = mate[h ^ 1];
        } while (h >= 0 && h != first);
        closed[chains++] = (uint8_t)is_closed;
        offsets[chains] = written;
    }
    return chains;
}
