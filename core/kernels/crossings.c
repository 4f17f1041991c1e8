// SPDX-License-Identifier: GPL-3.0-or-later
//
// Where the triangles of two bodies pass through each other. The rules stand in
// numpy_crossings.py; both give the same segments.

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "workspace.h"

typedef struct {
    double low[3], high[3];
    int32_t triangle;
} bounded;

typedef struct {
    double u[2];
    int32_t triangles[2];
    int32_t edge[2];
    uint8_t side[2];
} crossing;

static int by_lower_x(const void *left, const void *right) {
    const bounded *p = left, *q = right;
    if (p->low[0] != q->low[0]) {
        return p->low[0] < q->low[0] ? -1 : 1;
    }
    return (p->triangle > q->triangle) - (p->triangle < q->triangle);
}

static int by_pair(const void *left, const void *right) {
    const crossing *p = left, *q = right;
    for (int k = 0; k < 2; k++) {
        if (p->triangles[k] != q->triangles[k]) {
            return p->triangles[k] < q->triangles[k] ? -1 : 1;
        }
    }
    return 0;
}

static const double *point(const bw_body *body, int32_t vertex) {
    return body->positions + 3 * (ptrdiff_t)vertex;
}

static void difference(const double *a, const double *b, double *out) {
    for (int k = 0; k < 3; k++) {
        out[k] = a[k] - b[k];
    }
}

static void cross(const double *a, const double *b, double *out) {
    out[0] = a[1] * b[2] - a[2] * b[1];
    out[1] = a[2] * b[0] - a[0] * b[2];
    out[2] = a[0] * b[1] - a[1] * b[0];
}

static double dot(const double *a, const double *b) {
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

static int check_body(const bw_body *body) {
    const int64_t most = INT32_MAX / 8;
    if (body->vertex_count < 0 || body->triangle_count < 0 || body->edge_count < 0 ||
        body->vertex_count > most || body->triangle_count > most || body->edge_count > most) {
        return BW_BAD_SIZE;
    }
    for (int64_t i = 0; i < 3 * body->triangle_count; i++) {
        if ((uint32_t)body->triangles[i] >= (uint64_t)body->vertex_count ||
            (uint32_t)body->triangle_edges[i] >= (uint64_t)body->edge_count) {
            return BW_BAD_SIZE;
        }
    }
    for (int64_t i = 0; i < 2 * body->edge_count; i++) {
        if ((uint32_t)body->edges[i] >= (uint64_t)body->vertex_count) {
            return BW_BAD_SIZE;
        }
    }
    for (int64_t i = 0; i < 3 * body->vertex_count; i++) {
        if (!isfinite(body->positions[i])) {
            return BW_NOT_FINITE;
        }
    }
    return 0;
}

static void bound(const bw_body *body, bounded *boxes, double *low, double *high) {
    for (int k = 0; k < 3; k++) {
        low[k] = INFINITY;
        high[k] = -INFINITY;
    }
    for (int64_t i = 0; i < body->triangle_count; i++) {
        const int32_t *t = body->triangles + 3 * i;
        const double *p = point(body, t[0]), *q = point(body, t[1]), *r = point(body, t[2]);
        boxes[i].triangle = (int32_t)i;
        for (int k = 0; k < 3; k++) {
            double least = p[k] < q[k] ? p[k] : q[k], most = p[k] > q[k] ? p[k] : q[k];
            boxes[i].low[k] = least = least < r[k] ? least : r[k];
            boxes[i].high[k] = most = most > r[k] ? most : r[k];
            low[k] = least < low[k] ? least : low[k];
            high[k] = most > high[k] ? most : high[k];
        }
    }
}

static int64_t overlapping(bounded *boxes, int64_t count, const double *low, const double *high) {
    int64_t kept = 0;
    for (int64_t i = 0; i < count; i++) {
        const bounded *box = boxes + i;
        if (box->low[0] <= high[0] && box->high[0] >= low[0] && box->low[1] <= high[1] &&
            box->high[1] >= low[1] && box->low[2] <= high[2] && box->high[2] >= low[2]) {
            boxes[kept++] = *box;
        }
    }
    qsort(boxes, (size_t)kept, sizeof *boxes, by_lower_x);
    return kept;
}

// Whether all three corners of a triangle lie strictly on one side of another's plane.
static int separated(const bw_body *a, int32_t i, const bw_body *plane, int32_t j) {
    const int32_t *t = plane->triangles + 3 * (ptrdiff_t)j;
    const double *origin = point(plane, t[0]);
    double u[3], v[3], normal[3];
    difference(point(plane, t[1]), origin, u);
    difference(point(plane, t[2]), origin, v);
    cross(u, v, normal);
    int above = 0, below = 0;
    for (int k = 0; k < 3; k++) {
        double offset[3];
        difference(point(a, a->triangles[3 * (ptrdiff_t)i + k]), origin, offset);
        double distance = dot(offset, normal);
        above += distance > 0.0;
        below += distance < 0.0;
    }
    return above == 3 || below == 3;
}

static int before(const double *a, const double *b) {
    for (int k = 0; k < 2; k++) {
        if (a[k] != b[k]) {
            return a[k] < b[k];
        }
    }
    return a[2] < b[2];
}

// Whether an edge passes through a triangle, and where on it.
static int pierces(const bw_body *body, int32_t edge, const bw_body *target, int32_t triangle,
                   double contact, int other_first, double *place) {
    const double *p0 = point(body, body->edges[2 * (ptrdiff_t)edge]);
    const double *p1 = point(body, body->edges[2 * (ptrdiff_t)edge + 1]);
    const int32_t *t = target->triangles + 3 * (ptrdiff_t)triangle;
    const double *corner[3] = {point(target, t[0]), point(target, t[1]), point(target, t[2])};
    double u[3], v[3], normal[3];
    difference(corner[1], corner[0], u);
    difference(corner[2], corner[0], v);
    cross(u, v, normal);
    double length = sqrt(dot(normal, normal));
    if (!(length > 0.0)) {
        return 0;
    }
    for (int k = 0; k < 3; k++) {
        normal[k] /= length;
    }
    difference(p0, corner[0], u);
    difference(p1, corner[0], v);
    double d0 = dot(u, normal), d1 = dot(v, normal);
    if ((d0 >= -contact) == (d1 >= -contact)) {
        return 0;
    }
    double step = d0 - d1;
    double at = step != 0.0 ? d0 / step : 0.0;
    *place = at < 0.0 ? 0.0 : (at > 1.0 ? 1.0 : at);
    // The sign of two lines must not depend on who asks: both are put in order first.
    int turned = before(p1, p0);
    const double *line[2] = {turned ? p1 : p0, turned ? p0 : p1};
    int hands = 0;
    for (int k = 0; k < 3; k++) {
        const double *start = corner[k], *end = corner[(k + 1) % 3];
        int swap = before(end, start);
        const double *side[2] = {swap ? end : start, swap ? start : end};
        const double *const *first = other_first ? side : line;
        const double *const *second = other_first ? line : side;
        double w[3], product[3];
        difference(second[0], first[0], u);
        difference(second[1], first[0], v);
        cross(u, v, product);
        difference(first[1], first[0], w);
        hands += (dot(product, w) >= 0.0) != (swap != turned);
    }
    return hands == 0 || hands == 3;
}

static int shares_vertex(const bw_body *a, int32_t i, int32_t j) {
    const int32_t *p = a->triangles + 3 * (ptrdiff_t)i, *q = a->triangles + 3 * (ptrdiff_t)j;
    for (int k = 0; k < 3; k++) {
        if (p[k] == q[0] || p[k] == q[1] || p[k] == q[2]) {
            return 1;
        }
    }
    return 0;
}

static int try_pair(bw_workspace *ws, const bw_body *a, int32_t i, const bw_body *b, int32_t j,
                    int within, double contact, size_t *count) {
    if (within && (i >= j || shares_vertex(a, i, j))) {
        return 0;
    }
    if (separated(a, i, b, j) || separated(b, j, a, i)) {
        return 0;
    }
    crossing found = {.triangles = {i, j}};
    int hits = 0;
    for (int side = 0; side < 2; side++) {
        const bw_body *body = side == 0 ? a : b, *target = side == 0 ? b : a;
        int32_t own = side == 0 ? i : j, other = side == 0 ? j : i;
        for (int k = 0; k < 3; k++) {
            int32_t edge = body->triangle_edges[3 * (ptrdiff_t)own + k];
            double u;
            if (!pierces(body, edge, target, other, contact, side, &u)) {
                continue;
            }
            if (hits == 2) {
                return 0;
            }
            found.side[hits] = (uint8_t)side;
            found.edge[hits] = edge;
            found.u[hits++] = u;
        }
    }
    if (hits != 2) {
        return 0;
    }
    size_t capacity = ws->bytes[BW_CROSSINGS] / sizeof found;
    crossing *list = ws->memory[BW_CROSSINGS];
    if (*count == capacity) {
        list = bw_grow(ws, BW_CROSSINGS, 2 * capacity + 64, sizeof found);
        if (list == NULL) {
            return BW_OUT_OF_MEMORY;
        }
    }
    list[(*count)++] = found;
    return 0;
}

int64_t bw_crossings(bw_workspace *workspace, const bw_body *a, const bw_body *b, int32_t within,
                     double contact) {
    workspace->crossing_count = 0;
    int status = check_body(a);
    status = status < 0 ? status : check_body(b);
    if (status < 0) {
        return status;
    }
    if (!isfinite(contact)) {
        return BW_NOT_FINITE;
    }
    if (within && (a->triangle_count != b->triangle_count || a->triangles != b->triangles)) {
        return BW_BAD_SIZE;
    }
    bounded *first = bw_reserve(workspace, BW_SCRATCH_A, (size_t)a->triangle_count, sizeof *first);
    bounded *second =
        bw_reserve(workspace, BW_SCRATCH_B, (size_t)b->triangle_count, sizeof *second);
    if (first == NULL || second == NULL ||
        bw_reserve(workspace, BW_CROSSINGS, 64, sizeof(crossing)) == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    double low[2][3], high[2][3];
    bound(a, first, low[0], high[0]);
    bound(b, second, low[1], high[1]);
    int64_t first_count = overlapping(first, a->triangle_count, low[1], high[1]);
    int64_t second_count = overlapping(second, b->triangle_count, low[0], high[0]);
    size_t count = 0;
    // Sweep along x: of two boxes that meet, the one that starts later finds the other open.
    int64_t i = 0, j = 0;
    while (i < first_count && j < second_count) {
        int a_next = first[i].low[0] <= second[j].low[0];
        const bounded *box = a_next ? first + i++ : second + j++;
        const bounded *other = a_next ? second + j : first + i;
        const bounded *end = a_next ? second + second_count : first + first_count;
        for (; other < end && other->low[0] <= box->high[0]; other++) {
            if (other->low[1] > box->high[1] || other->high[1] < box->low[1] ||
                other->low[2] > box->high[2] || other->high[2] < box->low[2]) {
                continue;
            }
            status = try_pair(workspace, a, a_next ? box->triangle : other->triangle, b,
                              a_next ? other->triangle : box->triangle, within, contact, &count);
            if (status < 0) {
                return status;
            }
        }
    }
    qsort(workspace->memory[BW_CROSSINGS], count, sizeof(crossing), by_pair);
    workspace->crossing_count = (int64_t)count;
    return (int64_t)count;
}

int64_t bw_take_crossings(const bw_workspace *workspace, int64_t count, int32_t *triangles,
                          uint8_t *side, int32_t *edge, double *u) {
    if (count != workspace->crossing_count) {
        return BW_BAD_SIZE;
    }
    const crossing *list = workspace->memory[BW_CROSSINGS];
    for (int64_t i = 0; i < count; i++) {
        for (int k = 0; k < 2; k++) {
            triangles[2 * i + k] = list[i].triangles[k];
            side[2 * i + k] = list[i].side[k];
            edge[2 * i + k] = list[i].edge[k];
            u[2 * i + k] = list[i].u[k];
        }
    }
    return count;
}
