// SPDX-License-Identifier: GPL-3.0-or-later
//
// Durations of the fastest motion along a route, and the beam of a scanner that saturates.
// The formulas stand in numpy_points.py.

#include <math.h>

#include "workspace.h"

#define TINY 1e-12

static inline double most(double a, double b) {
    return a > b ? a : b;
}

static inline double least(double a, double b) {
    return a < b ? a : b;
}

typedef struct {
    double cap;        // squared speed that the corner allows
    double curve_x, curve_y;
    double along_x, along_y;
    double mean;       // squared speed in the blend, as far as known
    double rise;       // of the squared speed within the blend
    double run;        // the same along the segment that follows
    double begin, end; // squared speeds
    double straight;
} vertex_motion;

int64_t bw_clock_durations(bw_workspace *workspace, int64_t count, const double *length,
                           const double *blend_room, const double *half_turn,
                           const double *turn_axis, const double *blend_axis,
                           const uint8_t *inner, const double *acceleration,
                           const double *segment_acceleration, const double *segment_speed,
                           double blend, const double *hold, int32_t rounds, double *durations,
                           double *half_blend, double *speed_in, double *speed_out,
                           double *peak) {
    if (count < 0 || count > INT32_MAX || rounds < 0) {
        return BW_BAD_SIZE;
    }
    vertex_motion *v = bw_reserve(workspace, BW_SCRATCH_A, (size_t)count, sizeof *v);
    if (v == NULL) {
        return BW_OUT_OF_MEMORY;
    }
    for (int64_t i = 0; i < count; i++) {
        double half =
            inner[i] ? least(2.0 * blend / most(half_turn[i], TINY), blend_room[i]) : 0.0;
        double turn_x = turn_axis[2 * i], turn_y = turn_axis[2 * i + 1];
        double arriving = i > 0 ? segment_speed[i - 1] : 0.0;
        double speed = least(segment_speed[i], arriving);
        double corner = 2.0 * half * acceleration[i] / most(most(turn_x, turn_y), TINY);
        half_blend[i] = half;
        v[i].cap = inner[i] ? least(speed * speed, corner) : 0.0;
        double width = most(2.0 * half, TINY);
        v[i].curve_x = turn_x / width;
        v[i].curve_y = turn_y / width;
        v[i].along_x = 1.0 / most(blend_axis[2 * i], TINY);
        v[i].along_y = 1.0 / most(blend_axis[2 * i + 1], TINY);
        v[i].mean = 0.6 * v[i].cap;
        v[i].begin = v[i].end = v[i].cap;
    }
    for (int64_t i = 0; i < count; i++) {
        double straight = length[i] - half_blend[i];
        straight -= i + 1 < count ? half_blend[i + 1] : 0.0;
        v[i].straight = most(straight, 0.0);
        v[i].run = 2.0 * segment_acceleration[i] * v[i].straight;
    }
    for (int32_t round = 0; round < rounds; round++) {
        // Forward: what can be reached, then backward: what can still be braked.
        double w = INFINITY;
        for (int64_t i = 0; i < count; i++) {
            double room = least((acceleration[i] - v[i].mean * v[i].curve_x) * v[i].along_x,
                                (acceleration[i] - v[i].mean * v[i].curve_y) * v[i].along_y);
            v[i].rise = inner[i] ? 4.0 * most(room, 0.0) * half_blend[i] : 0.0;
            v[i].begin = least(v[i].cap, w);
            v[i].end = least(v[i].cap, v[i].begin + v[i].rise);
            w = v[i].end + v[i].run;
        }
        w = INFINITY;
        for (int64_t i = count - 1; i >= 0; i--) {
            v[i].end = most(least(v[i].end, w), 0.0);
            v[i].begin = most(least(v[i].begin, v[i].end + v[i].rise), 0.0);
            v[i].mean = 0.5 * (v[i].mean + 0.5 * (v[i].begin + v[i].end));
            w = i > 0 ? v[i].begin + v[i - 1].run : 0.0;
        }
    }
    for (int64_t i = 0; i < count; i++) {
        double begin = v[i].begin, end = v[i].end;
        double next = i + 1 < count ? v[i + 1].begin : 0.0;
        double in = sqrt(begin), out = sqrt(end);
        double squared = least(segment_speed[i] * segment_speed[i],
                               0.5 * (end + next) + segment_acceleration[i] * v[i].straight);
        squared = most(squared, most(end, next));
        int moving = length[i] > 0.0;
        squared = moving ? squared : 0.0;
        double top = sqrt(squared);
        double rate = moving ? segment_acceleration[i] : 1.0;
        double ramps = (2.0 * squared - end - next) / (2.0 * rate);
        double *d = durations + 4 * i;
        d[0] = half_blend[i] > 0.0 ? 4.0 * half_blend[i] / most(in + out, TINY) : hold[i];
        d[1] = moving ? (top - out) / rate : 0.0;
        d[2] = moving ? most(v[i].straight - ramps, 0.0) / most(top, TINY) : 0.0;
        d[3] = moving ? (top - sqrt(next)) / rate : 0.0;
        speed_in[i] = in;
        speed_out[i] = out;
        peak[i] = top;
    }
    return count;
}

int64_t bw_saturating_response(int64_t count, const double *command, const double step[4],
                               double acceleration_max, double speed_max, int32_t substeps,
                               int32_t passes, double *position, double *velocity) {
    if (count < 0 || count > INT32_MAX || substeps < 1 || passes < 1) {
        return BW_BAD_SIZE;
    }
    if (count == 0) {
        return 0;
    }
    double duration = 1.0 / (double)substeps;
    double largest = acceleration_max * duration;
    for (int axis = 0; axis < 2; axis++) {
        double x = command[2 * (count - 1) + axis], v = 0.0;
        for (int32_t pass = 0; pass < passes; pass++) {
            double *out = position + axis, *out_v = velocity + axis;
            for (int64_t i = 0; i < count; i++) {
                double target = command[2 * i + axis];
                for (int32_t k = 0; k < substeps; k++) {
                    *out = x;
                    *out_v = v;
                    out += 2;
                    out_v += 2;
                    double error = x - target;
                    double faster = step[2] * error + step[3] * v;
                    double change = faster - v;
                    if (-largest <= change && change <= largest && -speed_max <= faster &&
                        faster <= speed_max) {
                        x = target + step[0] * error + step[1] * v;
                        v = faster;
                    } else {
                        change = least(most(change, -largest), largest);
                        faster = least(most(v + change, -speed_max), speed_max);
                        x += 0.5 * (v + faster) * duration;
                        v = faster;
                    }
                }
            }
        }
    }
    return count;
}
