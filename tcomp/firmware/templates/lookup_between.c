
int16_t ${symbol}_lookup_between(uint16_t place)
{
    const unsigned int along = (unsigned int)place${way_lead};

    return ${symbol}_between(along >> 8u, (uint8_t)(along & 0xFFu));
}
