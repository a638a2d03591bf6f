// How a value lies as a count in a record or frame: value = offset + scale * count.
//
// A channel is a struct that says so:
//
//   struct accel_x {
//       using Count = int16_t;   // what is packed
//       using Value = float;     // what the program computes with
//       static constexpr Value scale = 0.005F;
//       static constexpr Value offset = 0.0F;
//   };
//
// Of a whole number one count means "no value": the largest without sign, the smallest with sign. A value
// beyond what the counts hold becomes the outermost count, never another value and never "no value". Of a
// floating number not-a-number means "no value". Not for compilers told that there is no not-a-number
// (-ffast-math).
#pragma once

#include <stdint.h>

namespace fifthwheel {

// The counts of a type.
template <typename Count>
struct Counts {
    static constexpr bool whole = Count(1) / Count(2) == Count(0);
    static constexpr bool with_sign = Count(-1) < Count(0);

    // "No value", and the least and the largest count that are one. For whole numbers.
    static constexpr Count missing() { return with_sign ? top_bit() : Count(~Count(0)); }
    static constexpr Count least() { return with_sign ? Count(top_bit() + 1) : Count(0); }
    static constexpr Count most() { return with_sign ? Count(~top_bit()) : Count(Count(~Count(0)) - 1); }

  private:
    static constexpr Count top_bit() { return Count(uint64_t(1) << (8U * sizeof(Count) - 1U)); }
};

// The nearest count of a value, halves away from zero.
template <typename Channel>
constexpr typename Channel::Count encode(typename Channel::Value value) {
    using Count = typename Channel::Count;
    using Value = typename Channel::Value;
    const Value counts = (value - Channel::offset) / Channel::scale;
    if constexpr (!Counts<Count>::whole) {
        return Count(counts);
    } else {
        constexpr Count least = Counts<Count>::least();
        constexpr Count most = Counts<Count>::most();
        if (counts != counts) return Counts<Count>::missing();
        if (counts <= Value(least)) return least;
        if (counts >= Value(most)) return most;
        const Count below = Count(counts);  // towards zero
        const Value rest = counts - Value(below);
        if (rest >= Value(0.5)) return Count(below + 1);
        return rest <= Value(-0.5) ? Count(below - 1) : below;
    }
}

// The value of a count, not-a-number for "no value".
template <typename Channel>
constexpr typename Channel::Value decode(typename Channel::Count count) {
    using Count = typename Channel::Count;
    using Value = typename Channel::Value;
    if constexpr (Counts<Count>::whole) {
        if (count == Counts<Count>::missing()) return Value(__builtin_nan(""));
    }
    return Channel::offset + Channel::scale * Value(count);
}

}  // namespace fifthwheel
