/* What the headers need of <math.h>, for a bare compiler that comes without a C library. It declares; it is never
   linked. */
#pragma once

#define NAN (__builtin_nanf(""))
#define INFINITY (__builtin_inff())

extern "C" {
double sqrt(double);
float sqrtf(float);
double sin(double);
float sinf(float);
double cos(double);
float cosf(float);
double floor(double);
double fabs(double);
double exp(double);
double log(double);
double tanh(double);
double atan2(double, double);
double hypot(double, double);
double pow(double, double);
}
