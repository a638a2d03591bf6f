// What came of a call. It cannot be taken for a number or a truth value, and the compiler warns when it is
// dropped.
#pragma once

#include <stdint.h>

namespace fifthwheel {

// New values are appended: the numbers are logged.
enum class [[nodiscard]] Status : uint8_t {
    ok = 0,
    bad_argument = 1,  // a null pointer, a size or a setting of a call that cannot be
    not_finite = 2,
    not_positive = 3,
    too_small = 4,     // the caller's buffer
    bad_checksum = 5,  // bytes that are not what was written or sent
    other_layout = 6,  // whole, but of another list of channels
    storage = 7,       // the card did not read or write
    full = 8,          // no room is left
    out_of_range = 9,  // a value that a setting does not allow, or a step that a wheel cannot make
    unknown = 10,      // no such setting
    no_answer = 11,    // nothing that answers a question has come yet
    device = 12,       // the other end says that it has an error
};

}  // namespace fifthwheel
