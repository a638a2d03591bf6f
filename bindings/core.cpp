// fifthwheel._core: converts between numpy arrays and the core headers, nothing else.
#include <nanobind/nanobind.h>

#include <fifthwheel/version.hpp>

namespace nb = nanobind;

NB_MODULE(_core, m) { m.attr("core_version") = fifthwheel::core_version; }
