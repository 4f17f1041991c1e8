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
    double cap;           // squared speed that the corner allows
    double bend_begin[2], bend_end[2];    // acceleration per squared speed, by axis
    double along_begin[2], along_end[2];  // path acceleration per axis acceleration
    double run;           // rise of the squared speed along the segment that follows
    double climb_begin, climb_end;  // sum of all rises before
    double begin, end;    // squared speeds of this round
    double mean_begin, mean_end;  // and as the rounds settle
    double tangential;    // path acceleration within the blend
    double straight;
} vertex_motion;

static inline double sign_of(double value) {
    return (double)((value > 0.0) - (value < 0.0));
}

// Path acceleration that the limit leaves on both axes at both ends of a blend.
static double tangential(const vertex_motion *v, double limit) {
    double sign = v->mean_end >= v->mean_begin ? 1.0 : -1.0;
    double room = INFINITY;
    for (int axis = 0; axis < 2; axis++) {
        double at_begin =
            (limit - sign * v->bend_begin[axis] * v->mean_begin) * v->along_begin[axis];
        double at_end = (limit - sign * v->bend_end[axis] * v->mean_end) * v->along_end[axis];
        room = least(room, least(at_begin, at_end));
    }
    return most(room, 0.0);
}

int64_t bw_clock_durations(bw_workspace *workspace, int64_t count, const double *length,
                           const double *blend_room, const double *half_turn,
                           const double *arriving, const double *leaving, const uint8_t *inner,
                           const double *acceleration, const double *segment_acceleration,
                           const double *segment_speed, double blend, const double *hold,
                           int32_t rounds, double *durations, double *half_blend,
                           double *speed_in, double *speed_out, double *peak) {
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
        double width = most(2.0 * half, TINY);
        double largest = TINY;
        for (int axis = 0; axis < 2; axis++) {
            double from = arriving[2 * i + axis], to = leaving[2 * i + axis];
            double turn = to - from;
            double curvature = turn / width;
            largest = most(largest, fabs(turn));
            v[i].bend_begin[axis] = sign_of(from) * curvature;
            v[i].bend_end[axis] = sign_of(to) * curvature;
            v[i].along_begin[axis] = 1.0 / most(fabs(from), TINY);
            v[i].along_end[axis] = 1.0 / most(fabs(to), TINY);
        }
        double speed = least(segment_speed[i], i > 0 ? segment_speed[i - 1] : 0.0);
        double corner = 2.0 * half * acceleration[i] / largest;
        half_blend[i] = half;
        v[i].cap = inner[i] ? least(speed * speed, corner) : 0.0;
        v[i].mean_begin = v[i].mean_end = 0.6 * v[i].cap;
        v[i].begin = v[i].end = v[i].cap;
        v[i].tangential = INFINITY;
    }
    for (int64_t i = 0; i < count; i++) {
        double straight = length[i] - half_blend[i];
        straight -= i + 1 < count ? half_blend[i + 1] : 0.0;
        v[i].straight = most(straight, 0.0);
        v[i].run = 2.0 * segment_acceleration[i] * v[i].straight;
    }
    // Largest squared speeds below the caps whose steps stay within rise and run, as running
    // minima over caps less climbs. Plain sweeps are shorter but round otherwise than numpy,
    // and the sign in tangential() turns on a comparison of equal speeds.
    for (int32_t round = 0; round <= rounds; round++) {
        double climb = 0.0, lowest = INFINITY;
        for (int64_t i = 0; i < count; i++) {
            double possible = tangential(v + i, acceleration[i]);
            // The rounds may swing about the fixed point: the last one only takes away.
            v[i].tangential = round == rounds ? least(v[i].tangential, possible) : possible;
            double rise = inner[i] ? 4.0 * v[i].tangential * half_blend[i] : 0.0;
            v[i].climb_begin = climb;
            lowest = least(lowest, v[i].cap - climb);
            v[i].begin = lowest + climb;
            climb += rise;
            v[i].climb_end = climb;
            lowest = least(lowest, v[i].cap - climb);
            v[i].end = lowest + climb;
            climb += v[i].run;
        }
        lowest = INFINITY;
        for (int64_t i = count - 1; i >= 0; i--) {
            lowest = least(lowest, v[i].end + v[i].climb_end);
            v[i].end = most(lowest - v[i].climb_end, 0.0);
            lowest = least(lowest, v[i].begin + v[i].climb_begin);
            v[i].begin = most(lowest - v[i].climb_begin, 0.0);
            int settled = round >= rounds - 1;
            v[i].mean_begin = settled ? v[i].begin : 0.5 * (v[i].mean_begin + v[i].begin);
            v[i].mean_end = settled ? v[i].end : 0.5 * (v[i].mean_end + v[i].end);
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
