// The film's part of fifthwheel._core: numpy views in, blend.hpp's rules on them.
#include <nanobind/nanobind.h>
#include <nanobind/ndarray.h>

#include <stdexcept>

#include "blend.hpp"

namespace nb = nanobind;
namespace film = fifthwheel::film;

namespace {

template <typename T>
using Rows = nb::ndarray<T, nb::ndim<2>, nb::device::cpu>;
template <typename T>
using Planes = nb::ndarray<T, nb::ndim<3>, nb::device::cpu>;
using Colours = nb::ndarray<const uint16_t, nb::ndim<1>, nb::c_contig, nb::device::cpu>;

template <typename T>
film::Area<T> area(const Rows<T>& rows) {
    return {rows.data(), rows.stride(0), rows.shape(1), rows.shape(0), rows.stride(1)};
}

template <typename T>
film::Area<T> plane(const Planes<T>& planes, size_t p) {
    return {planes.data() + static_cast<ptrdiff_t>(p) * planes.stride(0), planes.stride(1), planes.shape(2),
            planes.shape(1), planes.stride(2)};
}

template <typename A, typename B>
void same(const A& a, const B& b) {
    if (a.width != b.width || a.height != b.height) throw std::length_error("areas of two sizes");
}

template <typename A>
void side_by_side(const A& a) {
    if (a.width > 1 && a.step != 1) throw std::invalid_argument("numbers that are not side by side");
}

template <typename W>
void tint(Rows<uint16_t> cover, Planes<W> weighted, Rows<const uint8_t> tile, Colours colours,
          uint32_t strength) {
    const size_t planes = weighted.shape(0);
    if (planes > 3 || colours.shape(0) != planes) throw std::length_error("colours");
    if (strength > film::whole) throw std::invalid_argument("strength");
    film::Area<W> w[3];
    for (size_t p = 0; p < planes; ++p) {
        w[p] = plane(weighted, p);
        same(w[p], area(tile));
    }
    same(area(cover), area(tile));
    film::tint(area(cover), w, colours.data(), planes, area(tile), strength);
}

template <typename T>
void gather(Rows<const T> from, Rows<T> to, size_t across, size_t down, bool up) {
    if (across == 0 || down == 0 || to.shape(0) * down < from.shape(0) ||
        to.shape(1) * across < from.shape(1) || to.shape(0) * down >= from.shape(0) + down ||
        to.shape(1) * across >= from.shape(1) + across)
        throw std::length_error("areas that do not fit");
    side_by_side(area(from));
    side_by_side(area(to));
    film::gather(area(from), area(to), across, down, up);
}

template <typename S, typename W>
void blend(Rows<S> picture, Rows<const W> weighted, Rows<const uint16_t> cover) {
    const auto s = area(picture);
    const auto w = area(weighted);
    const auto a = area(cover);
    same(s, w);
    same(s, a);
    side_by_side(s);
    side_by_side(w);
    side_by_side(a);
    nb::gil_scoped_release others_run;
    film::blend(s, w, a);
}

template <typename S, typename W>
void straight(Rows<S> out, Rows<const W> weighted, Rows<const uint16_t> cover, uint32_t empty) {
    same(area(out), area(weighted));
    same(area(out), area(cover));
    side_by_side(area(weighted));
    side_by_side(area(cover));
    film::straight(area(out), area(weighted), area(cover), empty);
}

template <typename S>
void opacity(Rows<S> out, Rows<const uint16_t> cover, uint32_t top) {
    same(area(out), area(cover));
    side_by_side(area(cover));
    film::opacity(area(out), area(cover), top);
}

}  // namespace

void bind_film(nb::module_& m) {
    m.attr("film_whole") = int(film::whole);
    m.def("film_tint", &tint<uint16_t>);
    m.def("film_tint", &tint<uint32_t>);
    m.def("film_gather", &gather<uint16_t>);
    m.def("film_gather", &gather<uint32_t>);
    m.def("film_blend", &blend<uint8_t, uint16_t>);
    m.def("film_blend", &blend<uint16_t, uint32_t>);
    m.def("film_straight", &straight<uint8_t, uint16_t>);
    m.def("film_straight", &straight<uint16_t, uint32_t>);
    m.def("film_opacity", &opacity<uint8_t>);
    m.def("film_opacity", &opacity<uint16_t>);
}
