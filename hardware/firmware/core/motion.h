/* Exact integer motion of two axes. firmware_bridge/motion.py is the same in closed form.
 *
 * Within a ramp of N slices the rate at slice boundary k is  r0 + floor(k (r1 - r0) / N), and a
 * slice moves the axis by the sum of the rates at its two ends (rates are 2^-23 steps per slice,
 * positions 2^-24 steps, so the halving of the trapezoid rule costs nothing). A STEP pulse is
 * due each time the position crosses a whole step.
 */
#ifndef EVENWALL_MOTION_H
#define EVENWALL_MOTION_H

#include <stdbool.h>
#include <stdint.h>

#include "protocol.h"

#define AXES 2
#define MAJOR 0
#define MINOR 1

typedef struct {
    uint32_t slices;
    int32_t rate[AXES]; /* at the end */
} ramp_t;

/* One axis in one slice. */
typedef struct {
    int16_t steps;     /* signed; at most 255 either way */
    uint32_t travel;   /* 2^-24 steps, unsigned, over the slice */
    uint32_t distance; /* 2^-24 steps from the slice's start to its first pulse */
} axis_slice_t;

typedef struct {
    axis_slice_t axis[AXES];
    bool drivers_on;
} slice_t;

/* Pulse times within a slice, in 2^-16 cycles from its start. */
typedef struct {
    uint32_t first;
    uint32_t every;
} pulses_t;

typedef struct {
    int32_t rate;
    int32_t target;
    int32_t slope;  /* whole part of the change per slice, rounded down */
    uint32_t rest;  /* what the slope leaves over, in 1/length */
    uint32_t carry;
    int32_t steps;     /* whole steps since power-on */
    uint32_t fraction; /* 2^-24 steps, 0 .. 2^24-1 */
} axis_motion_t;

typedef struct {
    axis_motion_t axis[AXES];
    uint32_t length;
    uint32_t left; /* slices of the running ramp still to go; 0: rates stay as they are */
} motion_t;

void motion_init(motion_t *motion);
void motion_begin(motion_t *motion, const ramp_t *ramp);
/* Move one slice on; true when this slice ends the running ramp. */
bool motion_slice(motion_t *motion, axis_slice_t out[AXES]);
bool motion_still(const motion_t *motion);
/* Standing still: the fraction goes to one half, so that each motion from rest is counted alike. */
void motion_rest(motion_t *motion);
/* Slices that a ramp to rest needs within the acceleration limits; at least 1. */
uint32_t motion_stop_slices(const motion_t *motion, const uint32_t accel_max[AXES]);

pulses_t slice_pulses(const axis_slice_t *slice);

#endif
