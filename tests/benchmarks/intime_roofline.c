/* Roofline for bench_intime.py: the same arithmetic as a plain C program. Lanes are chips, two complex
   n x n products and two exponential stages a step (M12's reference program), in either precision. */
#include <math.h>
#define LANES 16
#define PROGRAM(NAME, REAL)                                                                          \
static void product_##NAME(int n, const REAL *restrict c, const REAL *restrict x, REAL *restrict y) { \
    for (int i = 0; i < n; i++) {                                                                    \
        REAL re[LANES] = {0}, im[LANES] = {0};                                                       \
        for (int j = 0; j < n; j++) {                                                                \
            REAL a = c[2 * (i * n + j)], b = c[2 * (i * n + j) + 1];                                 \
            const REAL *xr = x + 2 * j * LANES, *xi = xr + LANES;                                    \
            for (int l = 0; l < LANES; l++) {                                                        \
                re[l] += a * xr[l] - b * xi[l];                                                      \
                im[l] += a * xi[l] + b * xr[l];                                                      \
            }                                                                                        \
        }                                                                                            \
        for (int l = 0; l < LANES; l++) {                                                            \
            y[2 * i * LANES + l] = re[l];                                                            \
            y[(2 * i + 1) * LANES + l] = im[l];                                                      \
        }                                                                                            \
    }                                                                                                \
}                                                                                                    \
static inline void phis_##NAME(REAL d, REAL t, REAL *p) {                                            \
    REAL r = d * (REAL)0.03125, i = t * (REAL)0.03125, ar = (REAL)(1. / 5040.), ai = 0, u;           \
    const REAL k[5] = {(REAL)(1. / 720.), (REAL)(1. / 120.), (REAL)(1. / 24.), (REAL)(1. / 6.), (REAL)0.5}; \
    for (int q = 0; q < 5; q++) { u = ar * r - ai * i + k[q]; ai = ar * i + ai * r; ar = u; }        \
    REAL br = 1 + ar * r - ai * i, bi = ar * i + ai * r;                                             \
    for (int q = 0; q < 5; q++) {                                                                    \
        ar = (REAL)0.25 * (br * br - bi * bi) + (REAL)0.5 * ar;                                      \
        ai = (REAL)0.5 * (br * bi) + (REAL)0.5 * ai;                                                 \
        r += r; i += i;                                                                              \
        br = 1 + ar * r - ai * i; bi = ar * i + ai * r;                                              \
    }                                                                                                \
    p[0] = br; p[1] = bi; p[2] = ar; p[3] = ai;                                                      \
}                                                                                                    \
/* k (cell, 6, LANES): decay, detuning, bend, force re and im, pull, times the step */               \
void sweep_##NAME(int n, long steps, const REAL *c, const REAL *restrict k, REAL *restrict x,        \
                  REAL *restrict y, REAL *restrict first, REAL *restrict keep) {                     \
    for (long s = 0; s < steps; s++) {                                                               \
        product_##NAME(n, c, x, y);                                                                  \
        for (int i = 0; i < n; i++) {                                                                \
            const REAL *q = k + 6 * i * LANES;                                                       \
            for (int l = 0; l < LANES; l++) {                                                        \
                REAL re = x[2 * i * LANES + l], im = x[(2 * i + 1) * LANES + l], p[4];               \
                REAL d = q[l], t = q[LANES + l] + q[2 * LANES + l] * (re * re + im * im);            \
                REAL pr = q[3 * LANES + l] - q[5 * LANES + l] * y[(2 * i + 1) * LANES + l];          \
                REAL pi = q[4 * LANES + l] + q[5 * LANES + l] * y[2 * i * LANES + l];                \
                REAL sr = d * re - t * im + pr, si = d * im + t * re + pi;                           \
                phis_##NAME(d, t, p);                                                                \
                first[2 * i * LANES + l] = re + p[0] * sr - p[1] * si;                               \
                first[(2 * i + 1) * LANES + l] = im + p[0] * si + p[1] * sr;                         \
                REAL *m = keep + 5 * i * LANES + l;                                                  \
                m[0] = p[2]; m[LANES] = p[3]; m[2 * LANES] = t; m[3 * LANES] = pr; m[4 * LANES] = pi; \
            }                                                                                        \
        }                                                                                            \
        product_##NAME(n, c, first, y);                                                              \
        for (int i = 0; i < n; i++) {                                                                \
            const REAL *q = k + 6 * i * LANES;                                                       \
            for (int l = 0; l < LANES; l++) {                                                        \
                REAL re = first[2 * i * LANES + l], im = first[(2 * i + 1) * LANES + l];             \
                const REAL *m = keep + 5 * i * LANES + l;                                            \
                REAL more = q[LANES + l] + q[2 * LANES + l] * (re * re + im * im) - m[2 * LANES];    \
                REAL dr = q[3 * LANES + l] - q[5 * LANES + l] * y[(2 * i + 1) * LANES + l] - m[3 * LANES]; \
                REAL di = q[4 * LANES + l] + q[5 * LANES + l] * y[2 * i * LANES + l] - m[4 * LANES]; \
                dr -= more * im; di += more * re;                                                    \
                x[2 * i * LANES + l] = re + m[0] * dr - m[LANES] * di;                               \
                x[(2 * i + 1) * LANES + l] = im + m[0] * di + m[LANES] * dr;                         \
            }                                                                                        \
        }                                                                                            \
    }                                                                                                \
}
PROGRAM(double, double)
PROGRAM(single, float)
