// What a 32-bit microcontroller makes of the core: sizes that are stored or sent, and words without a lock.
// Compiled for bare targets together with every header of the core (tests/core/test_targets.py).
#include <fifthwheel/failsafe.hpp>
#include <fifthwheel/kalman.hpp>
#include <fifthwheel/settings.hpp>
#include <fifthwheel/share.hpp>
#include <fifthwheel/wheel.hpp>

namespace fw = fifthwheel;

inline constexpr fw::Setting table[] = {{1, "slip_target", "1", 0.0F, 0.3F, 0.12F}};

// A packed record as it is generated: little-endian, no padding.
struct __attribute__((packed)) Record {
    uint32_t time;
    int16_t speed;
    float angle;
    uint8_t flags;
    double east;
};
static_assert(sizeof(Record) == 19, "packed");
static_assert(__builtin_offsetof(Record, angle) == 6, "packed");
static_assert(__builtin_offsetof(Record, east) == 11, "packed");
static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__, "fields lie little-endian");

static_assert(sizeof(void*) == 4, "these targets are of 32 bits");
static_assert(sizeof(float) == 4 && sizeof(double) == 8, "IEEE 754");
static_assert(sizeof(fw::Status) == 1, "sent as a byte");
static_assert(sizeof(fw::Trouble) == 1 && sizeof(fw::SafeState) == 1, "logged as a byte");
static_assert(fw::Settings<table>::image_size == 24 + 10 + 4, "stored image");
static_assert(fw::setting_reply_size == 7, "sent");
static_assert(sizeof(fw::Share<uint32_t, 1>) == 4 * (1 + 1 + 1 + 3 * 2),
              "three slots of a word and its number");
static_assert(fw::even_ones(fw::encoder_read(fw::encoder_angle_address)), "even parity");
static_assert(fw::count_step(16383U, 1U, 14) == 2, "through zero");

template class fw::Share<Record, 3>;
template class fw::WheelSpeed<float>;
template class fw::WheelSpeed<double>;
template class fw::Failsafe<1>;
template class fw::Settings<table>;
