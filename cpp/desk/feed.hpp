// What the simulated sensors of a car see: a file of streams, each with times and values, made by `fifthwheel
// emulate`.
#pragma once

#include <stdint.h>

#include <cmath>
#include <cstring>
#include <fstream>
#include <string>
#include <vector>

namespace desk {

// One stream: at each time (true seconds) a row of values, one for each named column.
struct Stream {
    std::vector<std::string> names;
    std::vector<double> times;
    std::vector<double> values;

    double at(size_t row, size_t column) const { return values[row * names.size() + column]; }

    // Straight between rows, held beyond the ends. `hint` is the row of the last call.
    double between(double t, size_t column, size_t* hint) const {
        size_t k = *hint;
        while (k + 2 < times.size() && times[k + 1] <= t) ++k;
        while (k > 0 && times[k] > t) --k;
        *hint = k;
        const double span = times[k + 1] - times[k];
        const double share = span > 0.0 ? std::fmin(std::fmax((t - times[k]) / span, 0.0), 1.0) : 0.0;
        return at(k, column) + share * (at(k + 1, column) - at(k, column));
    }
};

// streams[0] holds turned angles [rad], which are read between rows; the others hold new readings.
struct Feed {
    std::vector<Stream> streams;

    bool load(const char* path) {
        std::ifstream file(path, std::ios::binary);
        char magic[8] = {};
        file.read(magic, 8);
        if (!file || std::memcmp(magic, "FWFEED1\n", 8) != 0) return false;
        uint32_t count = 0;
        file.read(reinterpret_cast<char*>(&count), 4);
        streams.resize(file ? count : 0);
        for (Stream& stream : streams) {
            uint32_t columns = 0;
            uint64_t rows = 0;
            file.read(reinterpret_cast<char*>(&columns), 4);
            file.read(reinterpret_cast<char*>(&rows), 8);
            for (uint32_t c = 0; file && c < columns; ++c) {
                char name[64] = {};
                file.read(name, 64);
                stream.names.emplace_back(name, strnlen(name, 64));
            }
            if (!file) return false;
            stream.times.resize(rows);
            stream.values.resize(rows * columns);
            file.read(reinterpret_cast<char*>(stream.times.data()), std::streamsize(8 * stream.times.size()));
            file.read(reinterpret_cast<char*>(stream.values.data()),
                      std::streamsize(8 * stream.values.size()));
        }
        return bool(file);
    }
};

}  // namespace desk
