// Laying a drawn layer over the planes of a picture, in whole numbers. For the desk only: no board has
// pictures, so it stands beside the bindings and not in the car's core, under the same rules.
//
// A layer has for every pixel its cover, 0 to 256, and for every plane the colour weighted by it: w = cover *
// colour. Then one rule lays it over any picture: s = s (1 - cover / 256) + w / 256, in the picture's own
// Y'CbCr code, which is the same as in its R'G'B' because the one is a linear map of the other.
#pragma once
#include <stddef.h>
#include <stdint.h>

namespace fifthwheel {
namespace film {

constexpr uint32_t whole = 256;  // cover of a pixel that hides what lies under it

// A rectangle of numbers somewhere in memory. row: numbers from one row to the next; step: from one to its
// neighbour.
template <typename T>
struct Area {
    T* at;
    ptrdiff_t row;
    size_t width;
    size_t height;
    ptrdiff_t step = 1;

    T* line(size_t y) const { return at + static_cast<ptrdiff_t>(y) * row; }
};

// Lay a tile of one colour over a layer. tile: how much of each pixel its shape takes, 0 to 255; strength: 0
// to 256, of the whole tile; colours: one for each of the planes. Cover is rounded up and the weighted colour
// down, so that a layer never adds more than the colour itself and the sum in `blend` needs no limit.
template <typename W>
void tint(Area<uint16_t> cover, const Area<W>* weighted, const uint16_t* colours, size_t planes,
          Area<const uint8_t> tile, uint32_t strength) {
    for (size_t y = 0; y < tile.height; ++y) {
        const uint8_t* shape = tile.line(y);
        uint16_t* a = cover.line(y);
        for (size_t x = 0; x < tile.width; ++x) {
            const uint32_t part = shape[static_cast<ptrdiff_t>(x) * tile.step];
            const uint32_t t = ((part + (part >> 7)) * strength) / whole;
            if (t == 0) continue;
            const uint32_t keep = whole - t;
            uint16_t& under = a[static_cast<ptrdiff_t>(x) * cover.step];
            under = static_cast<uint16_t>(t + (under * keep + whole - 1) / whole);
            for (size_t p = 0; p < planes; ++p) {
                W& w = weighted[p].line(y)[static_cast<ptrdiff_t>(x) * weighted[p].step];
                w = static_cast<W>(t * colours[p] + (static_cast<uint32_t>(w) * keep) / whole);
            }
        }
    }
}

// Gather a layer's numbers for planes of fewer samples: each is the mean of across x down pixels (fewer at an
// edge). `up` rounds up (cover), else down (weighted colour).
template <typename T>
void gather(Area<const T> from, Area<T> to, size_t across, size_t down, bool up) {
    for (size_t y = 0; y < to.height; ++y) {
        const size_t low = y * down;
        const size_t high = low + down < from.height ? low + down : from.height;
        T* out = to.line(y);
        for (size_t x = 0; x < to.width; ++x) {
            const size_t left = x * across;
            const size_t right = left + across < from.width ? left + across : from.width;
            uint32_t sum = 0;
            for (size_t r = low; r < high; ++r)
                for (size_t c = left; c < right; ++c) sum += from.line(r)[c];
            const auto count = static_cast<uint32_t>((high - low) * (right - left));
            if (count != 0) out[x] = static_cast<T>((sum + (up ? count - 1 : 0)) / count);
        }
    }
}

// Lay a layer over one plane of a picture. S: sample; W: weighted colour, 16 bits for samples of 8, else 32.
template <typename S, typename W>
void blend(Area<S> picture, Area<const W> weighted, Area<const uint16_t> cover) {
    for (size_t y = 0; y < picture.height; ++y) {
        S* s = picture.line(y);
        const W* w = weighted.line(y);
        const uint16_t* a = cover.line(y);
        for (size_t x = 0; x < picture.width; ++x) {
            const W left = static_cast<W>(static_cast<W>(s[x]) * static_cast<W>(whole - a[x]));
            s[x] = static_cast<S>(static_cast<W>(left + w[x] + static_cast<W>(whole / 2)) / whole);
        }
    }
}

// Write a layer's colour by itself, not weighted, as files with transparency keep it; `empty` where nothing
// covers.
template <typename S, typename W>
void straight(Area<S> out, Area<const W> weighted, Area<const uint16_t> cover, uint32_t empty) {
    for (size_t y = 0; y < out.height; ++y) {
        S* s = out.line(y);
        const W* w = weighted.line(y);
        const uint16_t* a = cover.line(y);
        for (size_t x = 0; x < out.width; ++x) {
            const uint32_t part = a[x];
            const uint32_t colour = part != 0 ? (static_cast<uint32_t>(w[x]) + part / 2) / part : empty;
            s[static_cast<ptrdiff_t>(x) * out.step] = static_cast<S>(colour);
        }
    }
}

// Write a layer's cover as the samples of a plane of transparency, 0 to `top`.
template <typename S>
void opacity(Area<S> out, Area<const uint16_t> cover, uint32_t top) {
    for (size_t y = 0; y < out.height; ++y) {
        S* s = out.line(y);
        const uint16_t* a = cover.line(y);
        for (size_t x = 0; x < out.width; ++x)
            s[static_cast<ptrdiff_t>(x) * out.step] = static_cast<S>((a[x] * top + whole / 2) / whole);
    }
}

}  // namespace film
}  // namespace fifthwheel
