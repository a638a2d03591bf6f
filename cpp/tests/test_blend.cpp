// The film's blend against what floating point says, on every cover and sample that there is.
#include <math.h>
#include <stdlib.h>

#include <vector>

#include "../../bindings/blend.hpp"
#include "vendor/doctest.h"

namespace film = fifthwheel::film;

namespace {

template <typename T>
film::Area<T> row_of(std::vector<std::remove_const_t<T>>& values) {
    return {values.data(), static_cast<ptrdiff_t>(values.size()), values.size(), 1};
}

}  // namespace

TEST_CASE("every cover over every sample of 8 bits is within one level of the exact mix") {
    for (uint32_t colour : {0U, 16U, 128U, 235U, 255U}) {
        for (uint32_t cover = 0; cover <= film::whole; ++cover) {
            std::vector<uint8_t> picture(256);
            for (size_t s = 0; s < 256; ++s) picture[s] = static_cast<uint8_t>(s);
            std::vector<uint16_t> weighted(256, static_cast<uint16_t>(cover * colour));
            std::vector<uint16_t> covers(256, static_cast<uint16_t>(cover));
            film::blend(row_of<uint8_t>(picture), row_of<const uint16_t>(weighted),
                        row_of<const uint16_t>(covers));
            for (uint32_t s = 0; s < 256; ++s) {
                const double part = cover / 256.0;
                REQUIRE(fabs(picture[s] - (s * (1.0 - part) + colour * part)) <= 0.5);
            }
        }
    }
}

TEST_CASE("layers of any colours, one over another, never leave the samples' range") {
    srand(7);
    for (int trial = 0; trial < 20000; ++trial) {
        std::vector<uint16_t> cover(1, 0);
        std::vector<uint16_t> weighted(1, 0);
        double exact = rand() % 256;
        const auto under = static_cast<uint8_t>(exact);
        const int layers = 1 + rand() % 6;
        for (int k = 0; k < layers; ++k) {
            std::vector<uint8_t> tile(1, static_cast<uint8_t>(rand() % 256));
            const uint16_t colour = static_cast<uint16_t>(rand() % 4 == 0 ? 255 : rand() % 256);
            const auto strength = static_cast<uint32_t>(rand() % 257);
            const film::Area<uint16_t> w = row_of<uint16_t>(weighted);
            film::tint(row_of<uint16_t>(cover), &w, &colour, 1, row_of<const uint8_t>(tile), strength);
            const double t = tile[0] / 255.0 * strength / 256.0;
            exact = exact * (1.0 - t) + colour * t;
        }
        REQUIRE(cover[0] <= film::whole);
        REQUIRE(weighted[0] <= cover[0] * 255U);
        std::vector<uint8_t> picture(1, under);
        film::blend(row_of<uint8_t>(picture), row_of<const uint16_t>(weighted),
                    row_of<const uint16_t>(cover));
        REQUIRE(fabs(picture[0] - exact) <= 1.0 + layers);
    }
}

TEST_CASE("a full tile replaces what was there, in 8 and in 16 bits") {
    std::vector<uint8_t> tile(1, 255);
    std::vector<uint16_t> cover(1, 100);
    std::vector<uint32_t> weighted(1, 100U * 300U);
    const uint16_t colour = 65535;
    const film::Area<uint32_t> w = row_of<uint32_t>(weighted);
    film::tint(row_of<uint16_t>(cover), &w, &colour, 1, row_of<const uint8_t>(tile), film::whole);
    CHECK(cover[0] == film::whole);
    CHECK(weighted[0] == film::whole * 65535U);
    std::vector<uint16_t> picture(1, 64);
    film::blend(row_of<uint16_t>(picture), row_of<const uint32_t>(weighted), row_of<const uint16_t>(cover));
    CHECK(picture[0] == 65535);
}

TEST_CASE("fewer samples are means of the pixels they stand for, also at an odd edge") {
    std::vector<uint16_t> from = {0, 4, 8, 10, 20, 30, 1, 2, 3};  // 3 x 3
    std::vector<uint16_t> to(4, 0);
    const film::Area<const uint16_t> whole{from.data(), 3, 3, 3};
    film::gather<uint16_t>(whole, {to.data(), 2, 2, 2}, 2, 2, false);
    CHECK(to == std::vector<uint16_t>{8, 19, 1, 3});  // (0+4+10+20)/4 = 8.5, (8+30)/2, (1+2)/2 = 1.5, 3
    film::gather<uint16_t>(whole, {to.data(), 2, 2, 2}, 2, 2, true);
    CHECK(to == std::vector<uint16_t>{9, 19, 2, 3});
}

TEST_CASE("a layer written by itself gives back its colour and its cover") {
    for (uint32_t cover = 1; cover <= film::whole; ++cover) {
        std::vector<uint32_t> weighted(1, cover * 940U);
        std::vector<uint16_t> covers(1, static_cast<uint16_t>(cover));
        std::vector<uint16_t> out(1, 0);
        film::straight(row_of<uint16_t>(out), row_of<const uint32_t>(weighted),
                       row_of<const uint16_t>(covers), 64U);
        CHECK(out[0] == 940);
        film::opacity(row_of<uint16_t>(out), row_of<const uint16_t>(covers), 1023U);
        CHECK(fabs(out[0] - cover * 1023.0 / 256.0) <= 0.5);
    }
    std::vector<uint32_t> nothing(1, 0);
    std::vector<uint16_t> none(1, 0);
    std::vector<uint16_t> out(1, 0);
    film::straight(row_of<uint16_t>(out), row_of<const uint32_t>(nothing), row_of<const uint16_t>(none), 64U);
    CHECK(out[0] == 64);
}
