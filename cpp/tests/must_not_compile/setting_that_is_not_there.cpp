// A setting that the car does not have must not be asked for.
#include <fifthwheel/settings.hpp>

inline constexpr fifthwheel::Setting table[] = {{1, "slip_target", "1", 0.0F, 0.3F, 0.12F}};

int main() {
    const fifthwheel::Settings<table> settings(0);
    return settings.get<2>() > 0.0F ? 0 : 1;
}
