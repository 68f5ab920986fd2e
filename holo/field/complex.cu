// Complex numbers in pairs of floats.

__device__ inline float2 operator+(float2 a, float2 b) { return make_float2(a.x + b.x, a.y + b.y); }
__device__ inline float2 operator-(float2 a, float2 b) { return make_float2(a.x - b.x, a.y - b.y); }
__device__ inline float2 operator*(float2 a, float b) { return make_float2(a.x * b, a.y * b); }
__device__ inline float2 operator*(float2 a, float2 b) { return make_float2(a.x * b.x - a.y * b.y, a.x * b.y + a.y * b.x); }
__device__ inline float2 conj(float2 a) { return make_float2(a.x, -a.y); }
template <int SIGN> __device__ inline float2 quarter(float2 a) { return SIGN > 0 ? make_float2(-a.y, a.x) : make_float2(a.y, -a.x); }
