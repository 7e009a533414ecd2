/* The arithmetic of one Runge-Kutta step per lane (M8.2, M8.3), nothing else: what a C compiler makes of it. */
#include <math.h>
#include <stdlib.h>

#define LANES 32

static inline __attribute__((always_inline)) double pull(
    double f, double g, double a1, double a2, double a3, double x, double u)
{
    return f - g * u - x * (a1 + x * (a2 + x * a3));
}

/* Lanes of x, u, a1, a2, a3, g, fc, fs, f0, re, im: separate restrict rows, so that gcc vectorises. */
static void cycle(double *restrict X, double *restrict U, const double *restrict A1,
                  const double *restrict A2, const double *restrict A3, const double *restrict G,
                  const double *restrict FC, const double *restrict FS, double *restrict F0,
                  double *restrict RE, double *restrict IM, const double *cosine,
                  const double *sine, int steps)
{
    const double half = 0.5 / cos(M_PI / steps);
    for (int j = 1; j <= steps; j++) {
        const double c = cosine[j], s = sine[j], keep = j % 2 ? 0.0 : 1.0;
        const double kc = keep * c, ks = keep * s;
        for (int i = 0; i < LANES; i++) {
            const double x = X[i], u = U[i], a1 = A1[i], a2 = A2[i], a3 = A3[i], g = G[i];
            const double f1 = FC[i] * c - FS[i] * s, fh = (F0[i] + f1) * half;
            const double k1 = pull(F0[i], g, a1, a2, a3, x, u);
            const double xh = x + u, k2 = pull(fh, g, a1, a2, a3, xh, u + k1);
            const double u3 = u + k2, k3 = pull(fh, g, a1, a2, a3, xh + k1, u3);
            const double k4 = pull(f1, g, a1, a2, a3, xh + u3 + k2, u + k3 + k3);
            const double q = k2 + k3, t = k1 + q, next = xh + u + t * (2.0 / 3.0);
            X[i] = next;
            U[i] = u + (t + q + k4) * (1.0 / 3.0);
            F0[i] = f1;
            RE[i] += next * kc;
            IM[i] -= next * ks;
        }
    }
}

/* par[block][5][LANES]: a1, a2, a3, g, f in units of the step; result[block][LANES]: sums of re. */
void bursts(int blocks, int cycles, int steps, const double *par, double *result)
{
    double *cosine = malloc(sizeof(double) * (steps + 1)), *sine = malloc(sizeof(double) * (steps + 1));
    for (int j = 0; j <= steps; j++) {
        cosine[j] = cos(2.0 * M_PI * j / steps);
        sine[j] = sin(2.0 * M_PI * j / steps);
    }
    for (int b = 0; b < blocks; b++) {
        double X[LANES], U[LANES], FS[LANES], F0[LANES], RE[LANES], IM[LANES];
        const double *p = par + 5L * LANES * b;
        for (int i = 0; i < LANES; i++) {
            X[i] = U[i] = FS[i] = 0.0;
            F0[i] = p[4 * LANES + i];
        }
        for (int k = 0; k < cycles; k++) {
            for (int i = 0; i < LANES; i++)
                RE[i] = IM[i] = 0.0;
            cycle(X, U, p, p + LANES, p + 2 * LANES, p + 3 * LANES, p + 4 * LANES, FS, F0, RE, IM,
                  cosine, sine, steps);
        }
        for (int i = 0; i < LANES; i++)
            result[(long)b * LANES + i] = X[i];
    }
    free(cosine);
    free(sine);
}
