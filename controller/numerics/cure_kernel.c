/* The cure's time steps for many lanes; the same arithmetic as cure._march, eight lanes abreast. */
#include <math.h>
#include <stdint.h>
#include <string.h>

#define NODES 7
#define RESIN 3
#define COAT 2
#define COLUMNS (NODES + RESIN + 1)
#define ABREAST 8
#define EACH for (int v = 0; v < ABREAST; v++)

enum {
    RATE_DT, START, ORDER_LESS_1, SCALED_E, AT_REF, RISE, Q_STEP, SHARPNESS, MOULD_K, OWN_ORDER,
    FIELDS
};

/* Ageing in one step of a lane that has no induction, and reaction of one in which nothing reacts:
 * see cure_march.py. */
#define NO_DELAY 100.0
#define NO_REACTION 1e-9

typedef double Wide[ABREAST];

/* propagator (NODES, COLUMNS, L), par (FIELDS, L), ambient (steps), temps and alphas
 * (steps + 1, RESIN, L) with row 0 of temps filled in. */
void cure_march(int64_t lanes, int64_t steps, int64_t pour_step, int64_t delayed, int64_t curved,
                double core, const double *propagator, const double *par, const double *ambient,
                double *temps, double *alphas)
{
    for (int64_t from = 0; from < lanes; from += ABREAST) {
        const int wide = lanes - from < ABREAST ? (int)(lanes - from) : ABREAST;
        Wide map[NODES][COLUMNS], p[FIELDS], state[NODES], alpha[RESIN], q[RESIN], aged[RESIN];
        Wide before[RESIN], source[COLUMNS];
        EACH {
            const int64_t lane = from + (v < wide ? v : wide - 1);
            for (int i = 0; i < NODES; i++)
                for (int j = 0; j < COLUMNS; j++)
                    map[i][j][v] = propagator[(i * COLUMNS + j) * lanes + lane];
            for (int f = 0; f < FIELDS; f++)
                p[f][v] = par[f * lanes + lane];
            for (int r = 0; r < RESIN; r++)
                state[r][v] = temps[r * lanes + lane];
            for (int i = RESIN; i < NODES; i++)
                state[i][v] = p[MOULD_K][v];
        }
        int reacts = 0, gated = 0;
        EACH {
            if (!(p[RATE_DT][v] * (p[START][v] + 1.0) > NO_REACTION))
                p[RATE_DT][v] = 0.0;
            reacts |= p[RATE_DT][v] > 0.0;
            gated |= delayed && p[Q_STEP][v] < NO_DELAY;
        }
        memset(alpha, 0, sizeof alpha);
        memset(q, 0, sizeof q);
        memset(aged, 0, sizeof aged);
        for (int64_t step = 0; step < steps; step++) {
            memcpy(source, state, sizeof state);
            if (!reacts)
                memset(source + NODES, 0, RESIN * sizeof(Wide));
            for (int r = 0; reacts && r < RESIN; r++) {
                Wide speed, made, pace, x;
#pragma omp simd
                EACH speed[v] = exp(p[AT_REF][v] - p[SCALED_E][v] / state[r][v]);
#pragma omp simd
                EACH made[v] = alpha[r][v];
                if (curved) {
#pragma omp simd
                    EACH made[v] = exp(p[OWN_ORDER][v] * log(fmax(alpha[r][v], 1e-300)));
                }
#pragma omp simd
                EACH pace[v] = p[RATE_DT][v] * speed[v] * (p[START][v] + made[v]) *
                               /* of a first order nothing is left after a while: 0 log 0 */
                               exp(p[ORDER_LESS_1][v] * log(fmax(1.0 - alpha[r][v], 1e-300)));
                if (gated) {
#pragma omp simd
                    EACH {
                        const double gate = exp(p[SHARPNESS][v] * log(fmax(q[r][v], 1e-30)));
                        pace[v] *= p[Q_STEP][v] < NO_DELAY ? gate / (1.0 + gate) : 1.0;
                        const double ageing = p[Q_STEP][v] * speed[v];
                        const double more = step ? 1.5 * ageing - 0.5 * aged[r][v] : ageing;
                        q[r][v] = fmin(fmax(q[r][v] + more, 0.0), 10.0);
                        aged[r][v] = ageing;
                    }
                }
#pragma omp simd
                EACH {
                    x[v] = step ? fmax(1.5 * pace[v] - 0.5 * before[r][v], 0.5 * pace[v]) : pace[v];
                    before[r][v] = pace[v];
                    const double left = 1.0 - alpha[r][v];
                    const double after = left / (1.0 + x[v] + 0.5 * x[v] * x[v]);
                    source[NODES + r][v] = p[RISE][v] * (left - after);
                    alpha[r][v] = 1.0 - after;
                }
            }
            EACH source[NODES + RESIN][v] = ambient[step];
            for (int i = 0; i < NODES; i++) {
                Wide sum = {0};
                for (int j = 0; j < COLUMNS; j++)
#pragma omp simd
                    EACH sum[v] += map[i][j][v] * source[j][v];
                memcpy(state[i], sum, sizeof sum);
            }
            if (step < pour_step) {
                EACH {
                    state[COAT][v] = core * state[0][v] + (1.0 - core) * state[1][v];
                    alpha[COAT][v] = core * alpha[0][v] + (1.0 - core) * alpha[1][v];
                    q[COAT][v] = core * q[0][v] + (1.0 - core) * q[1][v];
                    for (int i = RESIN; i < NODES; i++)
                        state[i][v] = p[MOULD_K][v];
                }
            }
            const int64_t row = (step + 1) * RESIN;
            for (int r = 0; r < RESIN; r++)
                for (int v = 0; v < wide; v++) {
                    temps[(row + r) * lanes + from + v] = state[r][v];
                    alphas[(row + r) * lanes + from + v] = alpha[r][v];
                }
        }
    }
}
