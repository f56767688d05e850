    if (${own}_sum() != UINT32_C(${checksum})) {
        return ${number};
    }
