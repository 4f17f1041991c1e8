// SPDX-License-Identifier: GPL-3.0-or-later
//
// Feeds the kernels random and broken input, with allocations that fail at every place in
// turn. Built and run by run.py with the address, leak and undefined-behaviour sanitizers.
// Prints what it did; any finding ends the process with an error.

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "beamwright_kernels.h"

// The linker sends all allocations of the kernels through these (-Wl,--wrap).
void *__real_malloc(size_t bytes);
void *__real_calloc(size_t count, size_t bytes);
void *__real_realloc(void *memory, size_t bytes);
static long allocations_left = -1;  // -1: never fail

static int allocation_fails(void) {
    if (allocations_left < 0) {
        return 0;
    }
    return allocations_left-- == 0;
}

void *__wrap_malloc(size_t bytes) {
    return allocation_fails() ? NULL : __real_malloc(bytes);
}

void *__wrap_calloc(size_t count, size_t bytes) {
    return allocation_fails() ? NULL : __real_calloc(count, bytes);
}

void *__wrap_realloc(void *memory, size_t bytes) {
    return allocation_fails() ? NULL : __real_realloc(memory, bytes);
}

static uint64_t state = 88172645463325252u;

static uint32_t next(void) {
    state ^= state << 13;
    state ^= state >> 7;
    state ^= state << 17;
    return (uint32_t)(state >> 32);
}

static int32_t below(int32_t bound) {
    return (int32_t)(next() % (uint32_t)bound);
}

static double uniform(double low, double high) {
    return low + (high - low) * next() / 4294967296.0;
}

static void require(int truth, const char *what) {
    if (!truth) {
        fprintf(stderr, "driver: %s\n", what);
        exit(1);
    }
}

// Memory of exactly the size that is promised, so that one step too far is seen.
static void *exactly(int64_t count, size_t size) {
    void *memory = __real_malloc(count > 0 ? (size_t)count * size : 1);
    require(memory != NULL, "out of memory");
    return memory;
}

// A value that is wild once in a while.
static double coordinate(int wild) {
    static const double odd[] = {0.0, -0.0, 1e300, -1e300, 1e-300, 1e150, INFINITY, NAN};
    if (wild && below(20) == 0) {
        return odd[below(8)];
    }
    return below(2) ? uniform(-3.0, 3.0) : (double)below(7) - 3.0;
}

static int32_t index_below(int32_t bound, int wild) {
    if (wild && below(200) == 0) {
        static const int32_t odd[] = {-1, INT32_MIN, INT32_MAX};
        int32_t k = below(4);
        return k < 3 ? odd[k] : bound;
    }
    return bound > 0 ? below(bound) : 0;
}

static int64_t visibility(bw_workspace *workspace, int32_t nv, int32_t nt, int32_t ne, int wild) {
    double *positions = exactly(3 * nv, sizeof(double));
    double *matrix = exactly(16, sizeof(double));
    double *page = exactly(4, sizeof(double));
    int32_t *triangles = exactly(3 * nt, sizeof(int32_t));
    int32_t *sides = exactly(3 * nt, sizeof(int32_t));
    int32_t *edges = exactly(2 * ne, sizeof(int32_t));
    int32_t *faces = exactly(2 * ne, sizeof(int32_t));
    uint16_t *kind = exactly(ne, sizeof(uint16_t));
    uint8_t *silhouette = exactly(ne, 1), *flip = exactly(ne, 1);
    int16_t *edge_rank = exactly(ne, sizeof(int16_t));
    uint8_t *closed = exactly(nt, 1), *occludes = exactly(nt, 1);
    int16_t *triangle_rank = exactly(nt, sizeof(int16_t));
    for (int32_t i = 0; i < 3 * nv; i++) {
        positions[i] = coordinate(wild && below(50) == 0);
    }
    if (wild && below(3) == 0) {  // finite, but products overflow
        static const double huge[] = {1e80, 1e155, 1e200, 1e300};
        double scale = huge[below(4)];
        for (int32_t i = 0; i < 3 * nv; i++) {
            positions[i] *= below(4) == 0 ? scale : 1.0;
        }
    }
    for (int32_t i = 0; i < 3 * nt; i++) {
        triangles[i] = index_below(nv, wild);
        sides[i] = index_below(ne, wild);
    }
    for (int32_t i = 0; i < ne; i++) {
        edges[2 * i] = index_below(nv, wild);
        edges[2 * i + 1] = index_below(nv, wild);
        faces[2 * i] = below(5) == 0 || nt == 0 ? -1 : index_below(nt, wild);
        faces[2 * i + 1] = below(5) == 0 || nt == 0 ? -1 : index_below(nt, wild);
        kind[i] = (uint16_t)below(16);
        silhouette[i] = (uint8_t)below(2);
        flip[i] = (uint8_t)(below(8) == 0);
        edge_rank[i] = (int16_t)(below(5) - 2);
    }
    for (int32_t i = 0; i < nt; i++) {
        closed[i] = (uint8_t)below(2);
        occludes[i] = (uint8_t)(below(6) != 0);
        triangle_rank[i] = (int16_t)(below(5) - 2);
    }
    memset(matrix, 0, 16 * sizeof *matrix);
    int perspective = below(3) != 0;
    double scale = perspective ? uniform(0.3, 4.0) : 0.25;
    matrix[0] = scale;
    matrix[1] = uniform(-0.3, 0.3);
    matrix[6] = scale;
    matrix[9] = 1.0;
    matrix[11] = uniform(-1.0, 8.0);
    matrix[perspective ? 13 : 15] = 1.0;
    matrix[15] = perspective ? matrix[11] : 1.0;
    if (wild && below(10) == 0) {
        matrix[below(16)] = coordinate(1);
    }
    page[0] = page[2] = -1.0;
    page[1] = page[3] = 1.0;
    if (wild && below(10) == 0) {
        page[below(4)] = coordinate(1);
    }
    bw_visibility_input input = {
        .vertex_count = nv,
        .triangle_count = nt,
        .edge_count = ne,
        .positions = positions,
        .view_projection = matrix,
        .triangles = triangles,
        .edges = edges,
        .edge_faces = faces,
        .triangle_edges = sides,
        .edge_kind = kind,
        .edge_silhouette = silhouette,
        .edge_flip = flip,
        .edge_rank = edge_rank,
        .triangle_closed = closed,
        .triangle_occludes = occludes,
        .triangle_rank = triangle_rank,
        .page = page,
        .near_clip = below(4) == 0 ? uniform(0.5, 3.0) : 0.05,
        .far_clip = below(4) == 0 ? uniform(3.0, 8.0) : 100.0,
        .bias = below(4) == 0 ? 0.0 : 1e-6,
    };
    if (wild && below(20) == 0) {
        input.near_clip = coordinate(1);
    }
    int64_t counters[8];
    int64_t count = bw_visible_pieces(workspace, &input, counters);
    require(count >= BW_BAD_SETTING, "unknown status");
    if (count >= 0) {
        int32_t *edge = exactly(count, sizeof(int32_t));
        uint16_t *out_kind = exactly(count, sizeof(uint16_t));
        double *t = exactly(2 * count, sizeof(double));
        double *xy = exactly(4 * count, sizeof(double));
        require(bw_take_pieces(workspace, count, edge, out_kind, t, xy) == count, "take failed");
        require(bw_take_pieces(workspace, count + 1, edge, out_kind, t, xy) == BW_BAD_SIZE,
                "took too many");
        for (int64_t i = 0; i < count; i++) {
            require(edge[i] >= 0 && edge[i] < ne && out_kind[i] != 0, "a piece of no edge");
            require(t[2 * i] >= 0.0 && t[2 * i] < t[2 * i + 1] && t[2 * i + 1] <= 1.0,
                    "t out of order");
            require(i == 0 || edge[i - 1] < edge[i] ||
                        (edge[i - 1] == edge[i] && t[2 * i - 1] <= t[2 * i]),
                    "pieces out of order");
        }
        free(edge);
        free(out_kind);
        free(t);
        free(xy);
    }
    void *all[] = {positions, matrix,    page,     triangles, sides,    edges,  faces,
                   kind,      silhouette, flip,     edge_rank, closed,   occludes, triangle_rank};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
        free(all[i]);
    }
    return count;
}

static int64_t chaining(bw_workspace *workspace, int32_t count, int32_t node_count, int wild) {
    int64_t *nodes = exactly(2 * count, sizeof(int64_t));
    int32_t *group = exactly(count, sizeof(int32_t));
    double *xy = exactly(4 * count, sizeof(double));
    int64_t *half_edges = exactly(count, sizeof(int64_t));
    int64_t *offsets = exactly(count + 1, sizeof(int64_t));
    uint8_t *closed = exactly(count, 1);
    for (int32_t i = 0; i < 2 * count; i++) {
        nodes[i] = below(6) == 0 ? -1 : below(node_count);
        if (wild && below(100) == 0) {
            nodes[i] = below(2) ? INT64_MAX : INT64_MIN;
        }
    }
    for (int32_t i = 0; i < count; i++) {
        group[i] = below(3);
    }
    for (int32_t i = 0; i < 4 * count; i++) {
        xy[i] = coordinate(wild);
    }
    int64_t chains = bw_chain(workspace, count, node_count, nodes, group, xy, 0.5, 256,
                              half_edges, offsets, closed);
    if (chains >= 0) {
        require(offsets[chains] == count, "a piece was lost in chaining");
    }
    free(nodes);
    free(group);
    free(xy);
    free(half_edges);
    free(offsets);
    free(closed);
    return chains;
}

static int64_t joining(bw_workspace *workspace, int32_t count, int32_t nv, int wild) {
    int32_t ne = 1 + count / 2;
    int32_t *edge = exactly(count, sizeof(int32_t)), *group = exactly(count, sizeof(int32_t));
    uint16_t *kind = exactly(count, sizeof(uint16_t));
    double *t = exactly(2 * count, sizeof(double)), *xy = exactly(4 * count, sizeof(double));
    int64_t *priority = exactly(count, sizeof(int64_t));
    int64_t *source = exactly(count, sizeof(int64_t));
    int32_t *edges = exactly(2 * ne, sizeof(int32_t));
    double *positions = exactly(3 * nv, sizeof(double));
    for (int32_t i = 0; i < count; i++) {
        edge[i] = index_below(ne, wild);
        group[i] = below(3);
        kind[i] = (uint16_t)(1 + below(200));
        priority[i] = below(4);
        source[i] = below(40);
        t[2 * i] = below(2) ? 0.0 : 0.25;
        t[2 * i + 1] = below(2) ? 1.0 : 0.5;
    }
    for (int32_t i = 0; i < 4 * count; i++) {
        xy[i] = coordinate(wild && below(300) == 0);
    }
    for (int32_t i = 0; i < 2 * ne; i++) {
        edges[i] = index_below(nv, wild);
    }
    for (int32_t i = 0; i < 3 * nv; i++) {
        positions[i] = coordinate(wild);
    }
    bw_join_input input = {
        .count = count,
        .vertex_count = nv,
        .edge_count = ne,
        .edge = edge,
        .kind = kind,
        .t = t,
        .xy = xy,
        .group = group,
        .priority = priority,
        .source = source,
        .edges = edges,
        .positions = positions,
        .height_row = {0.1, 0.2, 1.0, 5.0},
        .near_clip = 2.0,
        .far_clip = 8.0,
        .coincident = below(3) == 0 ? 0.0 : 1e-3,
        .least_cosine = 0.5,
        .largest_degree = 256,
    };
    int64_t stretches = bw_uncovered(workspace, count, xy, priority, 1e-3);
    if (stretches >= 0) {
        int64_t *piece = exactly(stretches, sizeof(int64_t));
        double *u = exactly(2 * stretches, sizeof(double));
        require(bw_take_stretches(workspace, stretches, piece, u) == stretches, "take failed");
        for (int64_t i = 0; i < stretches; i++) {
            require(piece[i] >= 0 && piece[i] < count, "a stretch of no piece");
            require(u[2 * i] < u[2 * i + 1], "an empty stretch");
        }
        free(piece);
        free(u);
    }
    int64_t points = 0;
    int64_t strokes = bw_join(workspace, &input, &points);
    require(strokes >= BW_BAD_SETTING, "unknown status");
    if (strokes >= 0) {
        double *place = exactly(2 * points, sizeof(double));
        double *left = exactly(2 * points, sizeof(double));
        int64_t *offsets = exactly(strokes + 1, sizeof(int64_t));
        int64_t *new_offsets = exactly(strokes + 1, sizeof(int64_t));
        int64_t *first = exactly(strokes, sizeof(int64_t));
        uint16_t *kinds = exactly(strokes, sizeof(uint16_t));
        int64_t *smallest = exactly(strokes, sizeof(int64_t));
        require(bw_take_joined(workspace, strokes, points, place, offsets, first, kinds,
                               smallest) == strokes, "take failed");
        require(bw_take_joined(workspace, strokes, points + 1, place, offsets, first, kinds,
                               smallest) == BW_BAD_SIZE, "took too many");
        require(offsets[strokes] == points, "a point was lost in joining");
        int64_t kept = bw_simplified(workspace, strokes, offsets, place, 0.01, left, new_offsets);
        require(kept == BW_OUT_OF_MEMORY || (kept <= points && new_offsets[strokes] == kept),
                "a point was won in simplifying");
        strokes = kept < 0 ? kept : strokes;
        if (wild && kept > 0) {
            offsets[0] = 1;
            require(bw_simplified(workspace, 1, offsets, place, 0.01, left, new_offsets) ==
                        BW_BAD_SIZE, "odd offsets were taken");
        }
        free(place);
        free(left);
        free(offsets);
        free(new_offsets);
        free(first);
        free(kinds);
        free(smallest);
    }
    void *all[] = {edge, group, kind, t, xy, priority, source, edges, positions};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
        free(all[i]);
    }
    return strokes;
}

static int64_t crossings(bw_workspace *workspace, int32_t nv, int32_t nt, int wild) {
    int32_t ne = 3 * nt;
    double *positions = exactly(3 * nv, sizeof(double));
    int32_t *triangles = exactly(3 * nt, sizeof(int32_t));
    int32_t *sides = exactly(3 * nt, sizeof(int32_t));
    int32_t *edges = exactly(2 * ne, sizeof(int32_t));
    for (int32_t i = 0; i < 3 * nv; i++) {
        positions[i] = coordinate(wild && below(300) == 0);
    }
    for (int32_t i = 0; i < 3 * nt; i++) {
        triangles[i] = index_below(nv, wild && below(50) == 0);
        sides[i] = i;
    }
    for (int32_t i = 0; i < nt; i++) {
        for (int32_t k = 0; k < 3; k++) {
            edges[6 * i + 2 * k] = triangles[3 * i + k];
            edges[6 * i + 2 * k + 1] = triangles[3 * i + (k + 1) % 3];
        }
    }
    bw_body body = {nv, nt, ne, positions, triangles, sides, edges};
    int64_t count = bw_crossings(workspace, &body, &body, (int32_t)below(2), 1e-7);
    require(count >= BW_BAD_SETTING, "unknown status");
    if (count >= 0) {
        int32_t *pair = exactly(2 * count, sizeof(int32_t));
        int32_t *edge = exactly(2 * count, sizeof(int32_t));
        uint8_t *side = exactly(2 * count, 1);
        double *u = exactly(2 * count, sizeof(double));
        require(bw_take_crossings(workspace, count, pair, side, edge, u) == count, "take failed");
        require(bw_take_crossings(workspace, count + 1, pair, side, edge, u) == BW_BAD_SIZE,
                "took too many");
        for (int64_t i = 0; i < 2 * count; i++) {
            require(pair[i] >= 0 && pair[i] < nt && edge[i] >= 0 && edge[i] < ne &&
                        u[i] >= 0.0 && u[i] <= 1.0, "a crossing of nothing");
        }
        free(pair);
        free(edge);
        free(side);
        free(u);
    }
    free(positions);
    free(triangles);
    free(sides);
    free(edges);
    return count;
}

static int64_t ordering(bw_workspace *workspace, int32_t strokes, int wild) {
    int64_t nodes = 2 * (int64_t)strokes;
    double *xy = exactly(2 * nodes, sizeof(double));
    double *tangent = exactly(2 * nodes, sizeof(double));
    double *room = exactly(nodes, sizeof(double));
    int32_t *costs = exactly(nodes * nodes, sizeof(int32_t));
    int32_t size = nodes - 2 < 8 ? (int32_t)nodes - 2 : 8;
    size = size < 0 ? 0 : size;
    int32_t *lists = exactly(nodes * size, sizeof(int32_t));
    int32_t *tour = exactly(strokes, sizeof(int32_t));
    for (int64_t i = 0; i < 2 * nodes; i++) {
        xy[i] = coordinate(wild && below(50) == 0) / 3.0;
        tangent[i] = uniform(-1.0, 1.0);
    }
    for (int64_t i = 0; i < nodes; i++) {
        room[i] = uniform(0.0, 0.1);
    }
    int64_t status = bw_link_costs(workspace, nodes, xy, tangent, room, 0.012, 0.05, 0.002, 0.035,
                                   wild && below(20) == 0 ? NAN : 0.2, 4.0, 1e-4, costs);
    if (status >= 0 && size > 0) {
        status = bw_neighbour_lists(nodes, size, costs, lists);
    }
    if (status >= 0 && wild && size > 0 && below(10) == 0) {
        lists[below((int32_t)nodes * size)] = below(2) ? -1 : (int32_t)nodes;
    }
    if (status >= 0) {
        status = bw_greedy_tour(workspace, nodes, size, costs, lists, tour);
    }
    if (status >= 0 && wild && strokes > 0 && below(10) == 0) {
        tour[below(strokes)] = below(3) - 1;
    }
    if (status >= 0) {
        status = bw_improve_tour(workspace, nodes, size, costs, lists, 4 * strokes, next(), tour);
        require(status >= BW_BAD_SETTING, "unknown status");
    }
    if (status >= 0) {
        uint8_t *seen = exactly(strokes, 1);
        memset(seen, 0, (size_t)strokes);
        for (int32_t i = 0; i < strokes; i++) {
            require(tour[i] >= 0 && tour[i] < nodes && !seen[tour[i] / 2], "not a tour");
            seen[tour[i] / 2] = 1;
        }
        free(seen);
    }
    free(xy);
    free(tangent);
    free(room);
    free(costs);
    free(lists);
    free(tour);
    return status;
}

static int64_t motion(bw_workspace *workspace, int32_t count, int wild) {
    double *in = exactly(11 * count, sizeof(double));
    uint8_t *inner = exactly(count, 1);
    double *out = exactly(8 * count, sizeof(double));
    for (int32_t i = 0; i < 11 * count; i++) {
        in[i] = wild && below(30) == 0 ? coordinate(1) : uniform(0.001, 0.3);
    }
    for (int32_t i = 0; i < count; i++) {
        inner[i] = (uint8_t)below(2);
    }
    int64_t status = bw_clock_durations(
        workspace, count, in, in + count, in + 2 * count, in + 3 * count, in + 5 * count, inner,
        in + 7 * count, in + 8 * count, in + 9 * count, 0.002, in + 10 * count, 4, out,
        out + 4 * count, out + 5 * count, out + 6 * count, out + 7 * count);
    const double step[4] = {0.95, 0.1, -0.1, 0.9};
    double *beam = exactly(12 * count, sizeof(double));
    int64_t beams = bw_saturating_response(count / 2, in, step, 0.05, 0.3, 6, 2, beam,
                                           beam + 6 * count);
    require(beams == count / 2, "the beam was not simulated");
    free(in);
    free(inner);
    free(out);
    free(beam);
    return status;
}

static int64_t everything(bw_workspace *workspace, int size, int wild) {
    int32_t n = 3 + below(size);
    int64_t worst = visibility(workspace, n, below(4) == 0 ? 0 : 2 * n, 3 * n, wild);
    int64_t status = chaining(workspace, below(2 * n), 1 + below(n), wild);
    worst = status < worst ? status : worst;
    status = joining(workspace, below(2 * n), n, wild);
    worst = status < worst ? status : worst;
    status = crossings(workspace, n, below(2 * n), wild);
    worst = status < worst ? status : worst;
    status = ordering(workspace, below(n < 120 ? n : 120), wild);
    worst = status < worst ? status : worst;
    status = motion(workspace, 2 * below(n), wild);
    return status < worst ? status : worst;
}

int main(void) {
    require(bw_abi_version() == BW_ABI_VERSION, "wrong version");
    bw_workspace_free(NULL);
    long done = 0, refused = 0, starved = 0;
    bw_workspace *shared = bw_workspace_new();
    require(shared != NULL, "no workspace");
    for (int i = 0; i < 3000; i++) {
        // Small and large calls in turn: buffers are reused, larger than needed.
        int64_t status = everything(shared, i % 50 == 0 ? 800 : 40, i % 2);
        done++;
        refused += status < 0;
        if (i % 200 == 0) {  // a fine grid, crossed by few and long lines
            bw_workspace *fresh = bw_workspace_new();
            require(fresh != NULL && visibility(fresh, 40, 20000, 60, 0) >= 0, "long lines");
            bw_workspace_free(fresh);
        }
    }
    require(bw_workspace_bytes(shared) > 0, "nothing was reserved");
    bw_workspace_free(shared);
    for (int i = 0; i < 1500; i++) {
        allocations_left = i % 3 == 0 ? -1 : below(70);  // every third is not starved
        bw_workspace *fresh = bw_workspace_new();
        if (fresh != NULL) {
            starved += everything(fresh, 60, i % 2) == BW_OUT_OF_MEMORY;
            bw_workspace_free(fresh);
        }
        allocations_left = -1;
    }
    require(refused > 100, "broken input was never refused");
    require(starved > 100, "no allocation failed");
    printf("%ld rounds, %ld refused, %ld out of memory as told: clean\n", done, refused, starved);
    return 0;
}
