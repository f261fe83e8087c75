#include "motion.h"

#define ONE_STEP (UINT32_C(1) << POSITION_FRACTION_BITS)
#define HALF_STEP (ONE_STEP / 2)

void motion_init(motion_t *motion)
{
    *motion = (motion_t){0};
    motion_rest(motion);
}

void motion_rest(motion_t *motion)
{
    for (uint8_t i = 0; i < AXES; i++) {
        motion->axis[i].fraction = HALF_STEP;
    }
}

bool motion_still(const motion_t *motion)
{
    return motion->left == 0 && motion->axis[MAJOR].rate == 0 && motion->axis[MINOR].rate == 0;
}

void motion_begin(motion_t *motion, const ramp_t *ramp)
{
    motion->length = ramp->slices;
    motion->left = ramp->slices;
    for (uint8_t i = 0; i < AXES; i++) {
        axis_motion_t *axis = &motion->axis[i];
        /* Rates are below 2^31 / 1.3, so the change can pass 2^31: split it by sign. */
        bool down = ramp->rate[i] < axis->rate;
        uint32_t change = down ? (uint32_t)axis->rate - (uint32_t)ramp->rate[i]
                               : (uint32_t)ramp->rate[i] - (uint32_t)axis->rate;
        uint32_t whole = change / ramp->slices;
        uint32_t rest = change - whole * ramp->slices;
        if (down && rest != 0) {
            whole += 1;
            rest = ramp->slices - rest;
        }
        axis->target = ramp->rate[i];
        /* whole can be 2^31 or more only in a one-slice ramp, which accel limits refuse. */
        axis->slope = down ? -(int32_t)whole : (int32_t)whole;
        axis->rest = rest;
        axis->carry = 0;
    }
}

static void axis_slice(axis_motion_t *axis, int32_t rate_after, axis_slice_t *out)
{
    int64_t travel = (int64_t)axis->rate + rate_after;
    bool back = travel < 0;
    uint32_t amount = (uint32_t)(back ? -travel : travel);
    uint32_t whole = amount >> POSITION_FRACTION_BITS;
    uint32_t part = amount & (ONE_STEP - 1);
    out->travel = amount;
    if (back) {
        out->distance = axis->fraction;
        if (part > axis->fraction) {
            whole += 1;
            axis->fraction += ONE_STEP;
        }
        axis->fraction -= part;
        out->steps = (int16_t)-(int16_t)whole;
    } else {
        out->distance = ONE_STEP - axis->fraction;
        axis->fraction += part;
        if (axis->fraction >= ONE_STEP) {
            whole += 1;
            axis->fraction -= ONE_STEP;
        }
        out->steps = (int16_t)whole;
    }
    /* Counts wrap like the wire's do; signed overflow is not allowed to happen on the way. */
    axis->steps = (int32_t)((uint32_t)axis->steps + (uint32_t)(int32_t)out->steps);
    axis->rate = rate_after;
}

bool motion_slice(motion_t *motion, axis_slice_t out[AXES])
{
    bool ramping = motion->left != 0;
    for (uint8_t i = 0; i < AXES; i++) {
        axis_motion_t *axis = &motion->axis[i];
        int32_t after = axis->rate;
        if (ramping) {
            after += axis->slope;
            axis->carry += axis->rest;
            if (axis->carry >= motion->length) {
                axis->carry -= motion->length;
                after += 1;
            }
        }
        axis_slice(axis, after, &out[i]);
    }
    if (ramping) {
        motion->left--;
    }
    return ramping && motion->left == 0;
}

uint32_t motion_stop_slices(const motion_t *motion, const uint32_t accel_max[AXES])
{
    uint32_t longest = 1;
    for (uint8_t i = 0; i < AXES; i++) {
        int32_t rate = motion->axis[i].rate;
        uint32_t amount = rate < 0 ? 0U - (uint32_t)rate : (uint32_t)rate;
        uint32_t slices = amount / accel_max[i] + (amount % accel_max[i] != 0);
        if (slices > longest) {
            longest = slices;
        }
    }
    return longest;
}

/* part / whole in 2^-32, part <= whole, rounded down and kept below one. */
static uint32_t ratio(uint32_t part, uint32_t whole)
{
    uint32_t result = 0;
    if (part >= whole) {
        return UINT32_MAX;
    }
    part >>= 1; /* so that the doubling below cannot overflow */
    whole >>= 1;
    for (uint8_t bit = 0; bit < 32; bit++) {
        part <<= 1;
        result <<= 1;
        if (part >= whole) {
            part -= whole;
            result |= 1;
        }
    }
    return result;
}

pulses_t slice_pulses(const axis_slice_t *slice)
{
    pulses_t pulses = {0, 0};
    if (slice->steps == 0) {
        return pulses;
    }
    if (slice->travel > ONE_STEP) {
        /* A product is several times cheaper than a second quotient. */
        pulses.every = ratio(ONE_STEP, slice->travel);
        pulses.first = (uint32_t)(((uint64_t)slice->distance * pulses.every) >> POSITION_FRACTION_BITS);
    } else {
        pulses.first = ratio(slice->distance, slice->travel);
    }
    return pulses;
}
