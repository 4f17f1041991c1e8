// SPDX-License-Identifier: GPL-3.0-or-later
//
// Public functions of the native kernels: C11, no dependency but libc and libm, no global
// state. All arrays are C-contiguous and belong to the caller. Every function may run in any
// number of threads at once as long as each thread has its own workspace.

#ifndef BEAMWRIGHT_KERNELS_H
#define BEAMWRIGHT_KERNELS_H

#include <stdint.h>

#if defined(_WIN32)
#define BW_API __declspec(dllexport)
#else
#define BW_API __attribute__((visibility("default")))
#endif

// Raise it with every change of a signature, a struct or a result; native.py holds its twin.
#define BW_ABI_VERSION 4

// Results below zero.
#define BW_OUT_OF_MEMORY (-1)
#define BW_BAD_SIZE (-2)     // a count or an index is out of range
#define BW_NOT_FINITE (-3)   // a position or a setting is NaN or infinite
#define BW_BAD_SETTING (-4)  // near >= far, or the view cannot be projected

typedef struct bw_workspace bw_workspace;

// See VisibilityInput in records.py for the meaning of each member.
typedef struct {
    int64_t vertex_count;
    int64_t triangle_count;
    int64_t edge_count;
    const double *positions;
    const double *view_projection;
    const int32_t *triangles;
    const int32_t *edges;
    const int32_t *edge_faces;
    const int32_t *triangle_edges;
    const uint16_t *edge_kind;
    const uint8_t *edge_silhouette;
    const uint8_t *edge_flip;
    const int16_t *edge_rank;
    const uint8_t *triangle_closed;
    const uint8_t *triangle_occludes;
    const int16_t *triangle_rank;
    const double *page;
    double near_clip;
    double far_clip;
    double bias;
} bw_visibility_input;

// See joined_pieces in numpy_joining.py for the meaning of each member.
typedef struct {
    int64_t count;
    int64_t vertex_count;
    int64_t edge_count;
    const int32_t *edge;
    const uint16_t *kind;
    const double *t;
    const double *xy;
    const int32_t *group;
    const int64_t *priority;
    const int64_t *source;
    const int32_t *edges;
    const double *positions;
    double height_row[4];
    double near_clip;
    double far_clip;
    double coincident;
    double least_cosine;
    int32_t largest_degree;
} bw_join_input;

BW_API int32_t bw_abi_version(void);

// Scratch memory that grows to the largest call and is reused; one for each thread.
BW_API bw_workspace *bw_workspace_new(void);
BW_API void bw_workspace_free(bw_workspace *workspace);
BW_API int64_t bw_workspace_bytes(const bw_workspace *workspace);

// Visible pieces of all edges. Returns their number; they stay in the workspace until the
// next call. counters (8): features, their parts by cell, occluders kept, grid entries, entries
// scanned, exact tests, grid width, grid height.
BW_API int64_t bw_visible_pieces(bw_workspace *workspace, const bw_visibility_input *input,
                                 int64_t counters[8]);
// Copy the pieces of the last call: edge (n), kind (n), t (n, 2), xy (n, 4).
BW_API int64_t bw_take_pieces(const bw_workspace *workspace, int64_t count, int32_t *edge,
                              uint16_t *kind, double *t, double *xy);

// Chains of pieces: nodes (n, 2), group (n), xy (n, 4) -> half_edges (n), offsets (n + 1),
// closed (n). Returns the number of chains. The rules stand in numpy_chaining.py.
BW_API int64_t bw_chain(bw_workspace *workspace, int64_t count, int64_t node_count,
                        const int64_t *nodes, const int32_t *group, const double *xy,
                        double least_cosine, int32_t largest_degree, int64_t *half_edges,
                        int64_t *offsets, uint8_t *closed);

// What is left of pieces where others lie on them: xy (n, 4), priority (n). Returns the number
// of stretches; they stay in the workspace. The rules stand in numpy_coincident.py.
BW_API int64_t bw_uncovered(bw_workspace *workspace, int64_t count, const double *xy,
                            const int64_t *priority, double tolerance);
BW_API int64_t bw_take_stretches(const bw_workspace *workspace, int64_t count, int64_t *piece,
                                 double *u);
// All of it: pieces into strokes. Returns the number of strokes and the number of their points;
// they stay in the workspace.
BW_API int64_t bw_join(bw_workspace *workspace, const bw_join_input *input,
                       int64_t *point_count);
// Copy the strokes of the last call: points (m, 2), offsets (n + 1), first piece, kind, and
// smallest source of each (n).
BW_API int64_t bw_take_joined(const bw_workspace *workspace, int64_t count, int64_t point_count,
                              double *points, int64_t *offsets, int64_t *first, uint16_t *kind,
                              int64_t *smallest);
// Polylines without the vertices that lie within a tolerance of what is left: points (m, 2),
// offsets (n + 1). Returns the number of points written. The rules stand in numpy_joining.py.
BW_API int64_t bw_simplified(bw_workspace *workspace, int64_t count, const int64_t *offsets,
                             const double *points, double tolerance, double *out_points,
                             int64_t *out_offsets);

// See Body in records.py.
typedef struct {
    int64_t vertex_count;
    int64_t triangle_count;
    int64_t edge_count;
    const double *positions;
    const int32_t *triangles;
    const int32_t *triangle_edges;
    const int32_t *edges;
} bw_body;

// Segments in which triangles of two bodies cross, ordered by triangle pair. Returns their
// number; they stay in the workspace. The rules stand in numpy_crossings.py.
BW_API int64_t bw_crossings(bw_workspace *workspace, const bw_body *a, const bw_body *b,
                            int32_t within, double contact);
// Copy the segments of the last call: all (n, 2).
BW_API int64_t bw_take_crossings(const bw_workspace *workspace, int64_t count, int32_t *triangles,
                                 uint8_t *side, int32_t *edge, double *u);

// Order of strokes; count is the number of nodes, two for each stroke. See numpy_points.py.
BW_API int64_t bw_link_costs(bw_workspace *workspace, int64_t count, const double *xy,
                             const double *tangent, const double *room, double acceleration,
                             double speed, double blend, double jump_acceleration,
                             double jump_speed, double settle, double join, int32_t *costs);
BW_API int64_t bw_neighbour_lists(int64_t count, int32_t size, const int32_t *costs,
                                  int32_t *neighbours);
BW_API int64_t bw_greedy_tour(bw_workspace *workspace, int64_t count, int32_t size,
                              const int32_t *costs, const int32_t *neighbours, int32_t *tour);
// Improves the tour in place and returns what was gained.
BW_API int64_t bw_improve_tour(bw_workspace *workspace, int64_t count, int32_t size,
                               const int32_t *costs, const int32_t *neighbours, int64_t kicks,
                               uint32_t seed, int32_t *tour);

// Durations along a route, and the beam of a looped command.
BW_API int64_t bw_clock_durations(bw_workspace *workspace, int64_t count, const double *length,
                                  const double *blend_room, const double *half_turn,
                                  const double *arriving, const double *leaving,
                                  const uint8_t *inner, const double *acceleration,
                                  const double *segment_acceleration,
                                  const double *segment_speed, double blend,
                                  const double *hold, int32_t rounds, double *durations,
                                  double *half_blend, double *speed_in, double *speed_out,
                                  double *peak);
BW_API int64_t bw_saturating_response(int64_t count, const double *command,
                                      const double step[4], double acceleration_max,
                                      double speed_max, int32_t substeps, int32_t passes,
                                      double *position, double *velocity);

#endif
