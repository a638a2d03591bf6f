// The capture reader's part of fifthwheel._core: the bytes of one direction of a link in, its frames out.
#include <nanobind/nanobind.h>
#include <nanobind/ndarray.h>

#include <fifthwheel/link.hpp>
#include <stdexcept>
#include <utility>
#include <vector>

namespace nb = nanobind;
namespace fw = fifthwheel;

namespace {

using Bytes = nb::ndarray<const uint8_t, nb::ndim<1>, nb::c_contig, nb::device::cpu>;

// Longer payloads than any board sends, so that a capture never has a frame too long for its reader.
using Reader = fw::FrameReader<65535>;

template <typename T>
nb::object handed_over(std::vector<T>&& values) {
    auto* kept = new std::vector<T>(std::move(values));
    nb::capsule owner(kept, [](void* p) noexcept { delete static_cast<std::vector<T>*>(p); });
    return nb::cast(nb::ndarray<nb::numpy, T, nb::ndim<1>>(kept->data(), {kept->size()}, owner));
}

struct Scan {
    std::vector<uint8_t> type;
    std::vector<uint16_t> sequence;
    std::vector<uint16_t> layout;
    std::vector<uint32_t> time;
    std::vector<uint32_t> run;    // starts of the sender before this frame
    std::vector<uint64_t> place;  // of the payload in `payloads`
    std::vector<uint32_t> size;
    std::vector<uint64_t> end;  // bytes of the stream up to the frame's end
    std::vector<uint8_t> payloads;
    std::vector<uint64_t> bad;  // bytes of the stream up to the end of each bad stretch
    fw::LinkSequence numbers;

    void take(const fw::LinkFrame& frame, size_t at) {
        numbers.take(frame.sequence, frame.time);
        if (frame.is(fw::LinkType::hello) && frame.size >= fw::LinkHello::size) {
            const auto hello = fw::LinkHello::get(frame.payload);
            numbers.hello(hello.peer.boot, hello.sent);
        }
        type.push_back(frame.type);
        sequence.push_back(frame.sequence);
        layout.push_back(frame.layout);
        time.push_back(frame.time);
        run.push_back(numbers.restarts());
        place.push_back(payloads.size());
        size.push_back(uint32_t(frame.size));
        end.push_back(at);
        payloads.insert(payloads.end(), frame.payload, frame.payload + frame.size);
    }
};

nb::dict link_scan(const Bytes& stream) {
    Scan scan;
    {
        nb::gil_scoped_release release;
        Reader reader;
        const uint8_t* bytes = stream.data();
        const size_t count = stream.size();
        const auto judge = [&](fw::LinkEvent event, size_t at) {
            if (event == fw::LinkEvent::frame) scan.take(reader.frame(), at);
            if (event == fw::LinkEvent::bad) scan.bad.push_back(at);
        };
        for (size_t i = 0; i < count; ++i) judge(reader.take(bytes[i]), i + 1);
        judge(reader.take(0), count);  // a capture may end before the last zero
    }
    nb::dict out;
    out["lost"] = scan.numbers.lost();
    out["restarts"] = scan.numbers.restarts();
    out["type"] = handed_over(std::move(scan.type));
    out["sequence"] = handed_over(std::move(scan.sequence));
    out["layout"] = handed_over(std::move(scan.layout));
    out["time"] = handed_over(std::move(scan.time));
    out["run"] = handed_over(std::move(scan.run));
    out["place"] = handed_over(std::move(scan.place));
    out["size"] = handed_over(std::move(scan.size));
    out["end"] = handed_over(std::move(scan.end));
    out["payloads"] = handed_over(std::move(scan.payloads));
    out["bad"] = handed_over(std::move(scan.bad));
    return out;
}

nb::bytes cobs_encode(const nb::bytes& data) {
    std::vector<uint8_t> out(fw::cobs_bound(data.size()));
    size_t size = 0;
    const auto* from = reinterpret_cast<const uint8_t*>(data.c_str());
    if (fw::cobs_encode(from, data.size(), out.data(), out.size(), &size) != fw::Status::ok)
        throw std::length_error("cobs bound");
    return nb::bytes(reinterpret_cast<const char*>(out.data()), size);
}

nb::bytes cobs_decode(const nb::bytes& data) {
    std::vector<uint8_t> out(data.size() + 1);
    size_t size = 0;
    const auto* from = reinterpret_cast<const uint8_t*>(data.c_str());
    if (fw::cobs_decode(from, data.size(), out.data(), out.size(), &size) != fw::Status::ok)
        throw std::invalid_argument("not stuffed by COBS");
    return nb::bytes(reinterpret_cast<const char*>(out.data()), size);
}

}  // namespace

void bind_link(nb::module_& m) {
    m.def("link_scan", &link_scan);
    m.def("cobs_encode", &cobs_encode);
    m.def("cobs_decode", &cobs_decode);
}
