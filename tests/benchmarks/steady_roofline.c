/* Roofline for bench_steady.py: the closed-form cubic of M7.1/M7.2, largest root, as plain C loops.
   row_same: the select form that steady_kernel.py uses.  row_libm: trigonometric/hyperbolic through libm. */
#include <math.h>
#include <stdint.h>
#include <string.h>

static inline double inverse_cube_root(double x) {
    uint64_t i;
    double b, h;
    memcpy(&i, &x, 8);
    i = (1430186500ull - (((i >> 32) * 1431655766ull) >> 32)) << 32;
    memcpy(&b, &i, 8);
    h = 1.0 - x * b * b * b;
    b *= 1.0 + h * (1.0 / 3.0 + h * (2.0 / 9.0 + h * (14.0 / 81.0)));
    h = 1.0 - x * b * b * b;
    return b * (1.0 + h * (1.0 / 3.0));
}

static void row_same(long n, const double *restrict d, const double *restrict l, double g, double F,
              double *restrict out) {
    const double a = 0.75 * fabs(g), sign = g >= 0.0 ? 1.0 : -1.0, inv_a = 1.0 / a;
#pragma omp simd
    for (long i = 0; i < n; i++) {
        double scale = 1.0 / l[i], s = -d[i] * scale * sign, forced = F * scale;
        double linear = forced * forced, gamma = a * scale * linear;
        double s2 = s * s, one = 1.0 + s2, w2 = s2 > 3.0 ? s2 - 3.0 : 0.0, w = sqrt(w2);
        double big = w * w2, odd = s * (s2 + 9.0), edge = odd + big;
        double above = gamma * edge - 2.0 * one * one, below = 2.0 * edge - 27.0 * gamma;
        double inside = above < below ? above : below; inside = s > 0.0 ? inside : -1.0; inside = w2 > 0.0 ? inside : -1.0;
        double v2 = 27.0 * above / (inside >= 0.0 ? 4.0 * big * edge : 1.0);
        double half_q = odd * (1.0 / 27.0) - 0.5 * gamma;
        double disc = (one * one - odd * gamma + 6.75 * gamma * gamma) * (1.0 / 27.0);
        double under = inside >= 0.0 ? v2 : disc, v = sqrt(under > 0.0 ? under : 0.0);
        double cube = fabs(half_q) + v + 1e-200, b = inverse_cube_root(cube);
        double single = cube * b * b - (1.0 - s2 * (1.0 / 3.0)) * (b * (1.0 / 3.0));
        single = half_q > 0.0 ? -single : single;
        double shape = 0.5 + v * (0.57734926 + v * (-0.11103779 + v * (0.05255537
                     + v * (-0.02861206 + v * (0.01255657 - v * 0.00281192)))));
        double fold = w * (1.0 / 3.0), shift = s * (2.0 / 3.0);
        double y = (inside >= 0.0 ? 2.0 * fold * shape : single) + shift, low = inside >= 0.0 ? shift + fold : 0.0;
        double e = s - y, f = y * (1.0 + e * e) - gamma, slope = 1.0 + e * e - 2.0 * y * e;
        slope = slope > 1e-10 * one ? slope : 1e-10 * one;
        y -= 2.0 * f * slope / (2.0 * slope * slope - f * (2.0 * y - 4.0 * e));
        y = y > low ? y : low;
        e = s - y;
        out[i] = y > 0.5 ? y * (l[i] * inv_a) : linear / (1.0 + e * e);
    }
}

static void row_libm(long n, const double *restrict d, const double *restrict l, double g, double F,
              double *restrict out) {
    const double a = 0.75 * fabs(g), sign = g >= 0.0 ? 1.0 : -1.0, inv_a = 1.0 / a;
#pragma omp simd
    for (long i = 0; i < n; i++) {
        double scale = 1.0 / l[i], s = -d[i] * scale * sign;
        double gamma = a * scale * (F * scale) * (F * scale), s2 = s * s;
        double p = 1.0 - s2 / 3.0, q = s * (2.0 * s2 + 18.0) / 27.0 - gamma;
        double disc = q * q / 4.0 + p * p * p / 27.0;
        double c = cbrt(fabs(q) / 2.0 + sqrt(disc > 0.0 ? disc : 0.0));
        double single = copysign(c - p / (3.0 * c), -q);
        double r = sqrt(p < 0.0 ? -p / 3.0 : 1.0), h = -q / (2.0 * r * r * r);
        h = h > 1.0 ? 1.0 : (h < -1.0 ? -1.0 : h);
        double t = disc < 0.0 ? 2.0 * r * cos(acos(h) / 3.0) : single, y = t + s * (2.0 / 3.0);
        double e = s - y, f = y * (1.0 + e * e) - gamma, slope = 1.0 + e * e - 2.0 * y * e;
        y -= slope > 1e-10 * (1.0 + s2) ? f / slope : 0.0;
        out[i] = y * (l[i] * inv_a);
    }
}

void rows(int libm, long times, long rows, long n, const double *d, const double *l, const double *g,
          const double *F, double *out) {
    for (long t = 0; t < times; t++)
        for (long r = 0; r < rows; r++)
            (libm ? row_libm : row_same)(n, d + r * n, l + r * n, g[r], F[r], out + r * n);
}
